//! The person at the bench while a run goes on: what a stage has to say to them, and their Enter.
//!
//! A board between two threads: the stage writes on it and goes on reading the bench, the shell shows what is new and puts
//! down that Enter came. Neither ever waits for the other.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Nobody reads and answers faster: what came before that was typed ahead.
const REACTION: Duration = Duration::from_millis(300);

/// What is new on the board.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum News {
    /// To be read and answered by Enter.
    Question(String),
    /// How it stands; takes the place of the last one.
    Standing(String),
}

#[derive(Debug, Default)]
struct Board {
    news: Option<News>,
    /// When an answer was asked for that has not come.
    asked: Option<Instant>,
}

/// The board; clones are the same one.
#[derive(Clone, Debug, Default)]
pub struct Attendant(Arc<Mutex<Board>>);

impl Attendant {
    /// An empty board.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    fn board(&self) -> MutexGuard<'_, Board> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Asks for Enter; what was asked before is not asked any more.
    pub(crate) fn ask(&self, question: String) {
        *self.board() = Board { news: Some(News::Question(question)), asked: Some(Instant::now()) };
    }

    /// Says how it stands, whether or not Enter is asked for. A question that was not read yet stays.
    pub(crate) fn say(&self, standing: String) {
        let mut board = self.board();
        if !matches!(board.news, Some(News::Question(_))) {
            board.news = Some(News::Standing(standing));
        }
    }

    /// Nothing is asked any more.
    pub(crate) fn dismiss(&self) {
        self.board().asked = None;
    }

    /// Whether Enter is asked for and has not come.
    #[must_use]
    pub fn is_asked(&self) -> bool {
        self.board().asked.is_some()
    }

    /// Enter came. Whether it was taken: somebody asked, and not just now.
    pub fn enter(&self) -> bool {
        let mut board = self.board();
        let read = board.asked.is_some_and(|asked| asked.elapsed() >= REACTION);
        if read {
            board.asked = None;
        }
        read
    }

    /// What is new since the last call.
    #[must_use]
    pub fn news(&self) -> Option<News> {
        self.board().news.take()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_enter_that_nobody_asked_for_or_could_have_meant_is_not_taken() {
        let attendant = Attendant::new();
        assert!(!attendant.enter(), "nobody asked");
        attendant.ask("guard shut?".to_owned());
        assert!(!attendant.enter() && attendant.is_asked(), "typed ahead");
        attendant.say("3 drop-outs".to_owned());
        assert_eq!(attendant.news(), Some(News::Question("guard shut?".to_owned())), "the question is read first");
        std::thread::sleep(REACTION);
        assert!(attendant.enter() && !attendant.is_asked());
        attendant.say("4 drop-outs".to_owned());
        assert_eq!(attendant.news(), Some(News::Standing("4 drop-outs".to_owned())));
        assert_eq!(attendant.news(), None);
    }
}

//! What the person at the bench says between the runs of a crate, and what comes of it.

use crate::config::duration;
use crate::ops::OpsError;
use crate::ops::flow::{After, Flow, Known, UnitDone};
use crate::results::Grade;

/// What the bench does next.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Wish {
    /// Say this and listen on.
    Say(String),
    /// Run this unit.
    Run { tag: String, contact: bool },
    /// The person is done.
    Quit,
}

/// Where the talk stands.
#[derive(Debug)]
enum At {
    /// A tag is awaited.
    Tag,
    /// This tag was strange or done before and must be scanned once more.
    Sure(String),
    /// The person connects this unit.
    Connect(String),
    /// The contacts of this unit are bad.
    Clips(String),
}

/// The talk of a crate.
#[derive(Debug)]
pub(crate) struct Attended {
    at: At,
    by: Option<String>,
    last: Option<UnitDone>,
}

const HELP: &str = "  a tag             the unit that comes next
  Enter             it is connected, run it
  undo              put the scanned tag back; after a run `undo TAG`: it was TAG that was on the bench
  retry             run the last unit again
  anyway            run it although the contact check failed
  skip [REASON]     pass the unit over, it keeps its place
  grade GRADE WHY   put your own grade beside the measured one of the last unit (needs --by)
  list              what is left
  quit              end; nothing is lost, and the crate goes on another day";

impl Attended {
    pub(crate) const fn new(by: Option<String>) -> Self {
        Self { at: At::Tag, by, last: None }
    }

    pub(crate) fn greeting(&self, flow: &Flow) -> String {
        let left = flow.left().len();
        let rest = flow.estimate_s(left, 1).filter(|_| left > 0);
        let rest = rest.map_or(String::new(), |s| format!(", at most {}", duration(s)));
        format!("{left} registered units left{rest}\nscan a tag (`help` tells the words that are understood)")
    }

    /// Takes what was said. A failure of the journal ends the crate, a bad word does not.
    pub(crate) fn hear(&mut self, flow: &mut Flow, line: &str) -> Result<Wish, OpsError> {
        let line = line.trim();
        let (word, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
        let done = match word {
            "" => self.enter(),
            "help" => Wish::Say(HELP.to_owned()),
            "quit" => Wish::Quit,
            "list" => Wish::Say(list(flow)),
            "undo" => self.undo(flow, rest.trim()),
            "retry" => self.retry(),
            "anyway" => self.anyway(),
            "skip" => self.skip(flow, rest.trim()),
            "grade" => self.grade(flow, rest.trim()),
            _ if !rest.is_empty() => {
                Wish::Say(format!("`{line}` is neither a tag nor a word of mine; `help` tells them"))
            }
            tag => self.tag(flow, tag),
        };
        Ok(done)
    }

    fn enter(&mut self) -> Wish {
        match std::mem::replace(&mut self.at, At::Tag) {
            At::Connect(tag) => Wish::Run { tag, contact: true },
            At::Clips(tag) => {
                self.at = At::Clips(tag);
                Wish::Say("retry, anyway or skip?".to_owned())
            }
            other => {
                self.at = other;
                Wish::Say("scan a tag first".to_owned())
            }
        }
    }

    fn tag(&mut self, flow: &mut Flow, tag: &str) -> Wish {
        if let At::Sure(sure) = &self.at
            && sure == tag
        {
            return match flow.take_in(tag) {
                Ok(()) => self.connect(tag),
                Err(error) => Wish::Say(error.to_string()),
            };
        }
        match flow.known(tag) {
            Known::Waiting => self.connect(tag),
            Known::Finished(grade) => {
                self.at = At::Sure(tag.to_owned());
                let grade = grade.map_or("no verdict", Grade::word);
                Wish::Say(format!("{tag} was run already ({grade}); scan it again to run it once more"))
            }
            Known::Stranger => {
                self.at = At::Sure(tag.to_owned());
                Wish::Say(format!("{tag} is not registered in this batch; scan it again to take it in"))
            }
        }
    }

    fn connect(&mut self, tag: &str) -> Wish {
        self.at = At::Connect(tag.to_owned());
        Wish::Say(format!("{tag}: connect it, hands off, then Enter (`undo`: wrong tag)"))
    }

    fn undo(&mut self, flow: &mut Flow, to: &str) -> Wish {
        if let At::Connect(tag) | At::Sure(tag) | At::Clips(tag) = std::mem::replace(&mut self.at, At::Tag) {
            return Wish::Say(format!("{tag} put back; scan a tag"));
        }
        let Some(mut last) = self.last.take() else {
            return Wish::Say("nothing to undo".to_owned());
        };
        if to.is_empty() || last.run.is_none() {
            let text = format!("the last unit was run as {}; `undo TAG` says which it really was", last.tag);
            self.last = Some(last);
            return Wish::Say(text);
        }
        let text = match flow.undo(&last, to) {
            Ok(()) => {
                let was = std::mem::replace(&mut last.tag, to.to_owned());
                format!("that run counts for {to} now, no longer for {was}; scan a tag")
            }
            Err(error) => error.to_string(),
        };
        self.last = Some(last);
        Wish::Say(text)
    }

    fn retry(&mut self) -> Wish {
        let tag = match std::mem::replace(&mut self.at, At::Tag) {
            At::Clips(tag) | At::Connect(tag) => Some(tag),
            At::Tag | At::Sure(_) => self.last.as_ref().map(|last| last.tag.clone()),
        };
        tag.map_or_else(|| Wish::Say("nothing was run yet".to_owned()), |tag| Wish::Run { tag, contact: true })
    }

    fn anyway(&mut self) -> Wish {
        match std::mem::replace(&mut self.at, At::Tag) {
            At::Clips(tag) => Wish::Run { tag, contact: false },
            other => {
                self.at = other;
                Wish::Say("no contact check has failed".to_owned())
            }
        }
    }

    fn skip(&mut self, flow: &Flow, why: &str) -> Wish {
        let tag = match std::mem::replace(&mut self.at, At::Tag) {
            At::Connect(tag) | At::Clips(tag) | At::Sure(tag) => tag,
            At::Tag => return Wish::Say("no unit is on the bench".to_owned()),
        };
        if flow.known(&tag) == Known::Stranger {
            return Wish::Say(format!("{tag} put back; scan a tag"));
        }
        let why = if why.is_empty() { "no reason given" } else { why };
        Wish::Say(match flow.skip(&tag, why) {
            Ok(()) => format!("{tag} passed over, it keeps its place; scan a tag"),
            Err(error) => error.to_string(),
        })
    }

    fn grade(&self, flow: &Flow, said: &str) -> Wish {
        let Some(last) = self.last.as_ref().filter(|last| last.run.is_some()) else {
            return Wish::Say("no unit was run yet".to_owned());
        };
        let Some(by) = self.by.as_deref() else {
            return Wish::Say("start with --by NAME to grade by hand".to_owned());
        };
        let (word, why) = said.split_once(char::is_whitespace).unwrap_or((said, ""));
        let all = [Grade::Fit, Grade::Restricted, Grade::Undecided, Grade::Scrap];
        let Some(grade) = all.into_iter().find(|grade| grade.word() == word) else {
            return Wish::Say("say `grade fit|restricted|undecided|scrap REASON`".to_owned());
        };
        Wish::Say(match flow.grade(last, by, grade, why) {
            Ok(()) => {
                let measured = last.grade().map_or("no verdict", Grade::word);
                format!("{}: {word} by {by} (measured: {measured})", last.tag)
            }
            Err(error) => error.to_string(),
        })
    }

    /// Takes note of a run and says what comes next.
    pub(crate) fn after(&mut self, flow: &Flow, done: UnitDone) -> String {
        let left = flow.left().len();
        let rest = flow.estimate_s(left, 1).filter(|_| left > 0);
        let rest = rest.map_or(String::new(), |s| format!(", about {}", duration(s)));
        let text = match done.after() {
            _ if !done.contact.is_empty() => {
                self.at = At::Clips(done.tag.clone());
                "put the clip right, then `retry`; `anyway` runs it as it is, `skip` passes it over".to_owned()
            }
            After::Broken => "the crate ends here: find out what is wrong with the bench first".to_owned(),
            After::Aborted => format!("{} keeps its place; `retry`, or scan a tag", done.tag),
            After::Next => format!("{left} left{rest}; scan the next tag"),
        };
        self.last = Some(done);
        text
    }
}

fn list(flow: &Flow) -> String {
    let left = flow.left();
    if left.is_empty() { "nothing is left".to_owned() } else { format!("left: {}", left.join(" ")) }
}

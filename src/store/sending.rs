//! What waits is sent: runs and journals to the server of the index, records to their place.

use std::fs;
use std::path::PathBuf;
use std::time::Duration;

use super::courier;
use super::error::StoreError;
use super::index::Index;
use super::outbox::{Kind, SentJournal, SentRecord, SentRun};
use super::records::Records;
use super::shop::Store;

/// What was sent, and what still waits.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sent {
    /// Runs, journals and records that arrived.
    pub arrived: u64,
    /// Those that did not.
    pub waiting: u64,
}

/// For the index, runs before journals, which correct them.
const INDEX: &[Kind] = &[Kind::Run, Kind::Journal];
const RECORDS: &[Kind] = &[Kind::Record];

impl Store {
    /// Sends what waits. One program of a bench sends at a time; whoever comes second has it done by the first.
    ///
    /// # Errors
    /// A server or a place of records that is away or refuses. Nothing is lost by it, and one does not hold up the other.
    pub fn send(&self) -> Result<Sent, StoreError> {
        if let Some(server) = &self.server {
            server.try_again();
        }
        self.settings.records.iter().for_each(|address| Records::try_again(address));
        // A courier under way would leave this one nothing to tell of.
        courier::wait(Duration::MAX);
        let (index, records) = (self.send_waiting(), self.send_records());
        let (index, records) = (index?, records?);
        Ok(Sent { arrived: index.arrived + records.arrived, waiting: index.waiting + records.waiting })
    }

    pub(super) fn send_quietly(&self) {
        // What went wrong is kept in `server::trouble`; nobody at the bench has to wait for it.
        let _ = self.send_waiting();
    }

    pub(super) fn send_waiting(&self) -> Result<Sent, StoreError> {
        if self.server.is_none() {
            return Ok(Sent::default());
        }
        self.send_kinds(INDEX, "sending", &|kind, payload| self.send_to_index(kind, payload))
    }

    /// Sends the records that wait.
    pub(super) fn send_records(&self) -> Result<Sent, StoreError> {
        let Some(records) = self.records()? else { return Ok(Sent::default()) };
        let send = |_, payload: &str| {
            let sent: SentRecord = self.parse(payload)?;
            records.send(&sent.dir, &self.local.root.join(&sent.dir))
        };
        self.send_kinds(RECORDS, "sending-records", &send).inspect_err(Records::note)
    }

    /// How much waits to be sent and has somewhere to go.
    ///
    /// # Errors
    /// When the bench's own index cannot be read.
    pub fn waiting(&self) -> Result<u64, StoreError> {
        let index = if self.server.is_some() { INDEX } else { &[] };
        let records = if self.settings.records.is_some() { RECORDS } else { &[] };
        Ok(self.count_all(index)? + self.count_all(records)?)
    }

    fn count_all(&self, kinds: &[Kind]) -> Result<u64, StoreError> {
        kinds.iter().map(|kind| self.local.count_waiting(*kind)).sum()
    }

    fn send_kinds(
        &self,
        kinds: &[Kind],
        lock: &str,
        send: &dyn Fn(Kind, &str) -> Result<(), StoreError>,
    ) -> Result<Sent, StoreError> {
        let mut sent = Sent::default();
        loop {
            sent.waiting = self.count_all(kinds)?;
            if sent.waiting == 0 {
                return Ok(sent);
            }
            let Some(lock) = self.lock(lock)? else { return Ok(sent) };
            let arrived = send_all(&self.local, kinds, send, &mut sent);
            drop(lock);
            arrived?;
            // Somebody who found the lock taken has left theirs to this one: look again, once it is free.
            let left = self.count_all(kinds)?;
            if left >= sent.waiting {
                sent.waiting = left;
                return Ok(sent);
            }
        }
    }

    /// The right to send, unless somebody else has it.
    fn lock(&self, name: &str) -> Result<Option<fs::File>, StoreError> {
        let path: PathBuf = self.local.place.with_extension(name);
        let failed = |e: std::io::Error| StoreError::Io { doing: "lock", path: path.clone(), why: e.to_string() };
        let file = fs::OpenOptions::new().write(true).create(true).truncate(false).open(&path).map_err(failed)?;
        match file.try_lock() {
            Ok(()) => Ok(Some(file)),
            Err(fs::TryLockError::WouldBlock) => Ok(None),
            Err(fs::TryLockError::Error(error)) => Err(failed(error)),
        }
    }

    fn parse<T: serde::de::DeserializeOwned>(&self, payload: &str) -> Result<T, StoreError> {
        serde_json::from_str(payload)
            .map_err(|error| StoreError::Sql { path: self.local.place.clone(), why: error.to_string() })
    }

    fn send_to_index(&self, kind: Kind, payload: &str) -> Result<(), StoreError> {
        match (kind, &self.server) {
            (Kind::Run, Some(server)) => {
                let run: SentRun = self.parse(payload)?;
                server.ask(|index| index.receive_run(&run, Some(&server.bench)))
            }
            (Kind::Journal, Some(server)) => {
                let journal: SentJournal = self.parse(payload)?;
                server.ask(|index| index.receive_journal(&journal, &server.bench))
            }
            // Records go elsewhere, and without a server there is nobody to send to.
            (Kind::Record, _) | (Kind::Run | Kind::Journal, None) => Ok(()),
        }
    }
}

/// Sends everything once, in order. What is refused by itself does not hold up the rest.
fn send_all(
    outbox: &Index,
    kinds: &[Kind],
    send: &dyn Fn(Kind, &str) -> Result<(), StoreError>,
    sent: &mut Sent,
) -> Result<(), StoreError> {
    const AT_A_TIME: u32 = 100;
    let mut refused = None;
    for kind in kinds {
        let mut after = 0;
        loop {
            let waiting = outbox.waiting(*kind, after, AT_A_TIME)?;
            let Some(last) = waiting.last() else { break };
            after = last.id;
            for one in &waiting {
                match send(*kind, &one.payload) {
                    Ok(()) => {
                        outbox.arrived(one)?;
                        sent.arrived += 1;
                    }
                    Err(error) if error.is_away() => return Err(error),
                    Err(error) => refused = Some(error),
                }
            }
        }
    }
    refused.map_or(Ok(()), Err)
}

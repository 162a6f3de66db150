//! What is kept: the journal of events, and the history of samples, each in an SQLite file of its own.
//!
//! [`open`] makes the record ready and starts the one thread that writes to it. A [`Recorder`] hands
//! events and samples to that thread without ever waiting for the disk. [`JournalReader`] and
//! [`SampleReader`] read beside it, [`verify()`] proves the journal, [`salvage()`] saves what can be read
//! of a damaged file, [`back_up`] copies the record and [`restore`] takes a copy over. In reading order:
//! [`chain`] says what is hashed, `file` opens or moves aside one SQLite file, `journal` and `samples` know
//! what lies in theirs, `queue` holds what waits for the disk, `scribe` is the thread that writes.

mod backup;
pub mod chain;
mod entry;
mod errors;
mod file;
mod journal;
mod measure;
mod queue;
mod reader;
mod recorder;
mod reserve;
mod restore;
mod salvage;
mod samples;
mod scribe;
mod verify;

#[cfg(test)]
mod tests;

pub use backup::{Aside, BackupError, MANIFEST_FILE, Manifest, back_up, content};
pub use chain::Head;
pub use entry::JournalEntry;
pub use errors::{OpenError, ReadError, RecordError};
pub use file::Replaced;
pub use journal::JOURNAL_FILE;
pub use queue::RecorderStatus;
pub use reader::{
    ENTRIES_READ_MAX, JournalReader, KeptEntry, SETTINGS_DETAIL, settings_as_detail, settings_from_detail,
};
pub use recorder::{Record, Recorder, open};
pub use restore::restore;
pub use salvage::{EntryGap, Gap, SalvageError, Salvaged, SalvagedJournal, SalvagedSamples, salvage};
pub use samples::{
    BUCKETS_MAX, Bucket, Counted, Doubts, HISTORY_FILE, Holds, KeptSample, LATE_MINUTES_READ_MAX, Lapse,
    Reach, Replay, SAMPLES_READ_MAX, SampleReader,
};
pub use verify::{Stopped, Verified, VerifyError, verify, verify_each, verify_file};

/// An entry's number, from the row it lies in.
fn seq_of_row(row: i64) -> u64 {
    u64::try_from(row).unwrap_or(0)
}

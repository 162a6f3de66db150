//! What is kept: the journal of events, and the history of samples, each in an SQLite file of its own.

mod entry;

pub use entry::JournalEntry;

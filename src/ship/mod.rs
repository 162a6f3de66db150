//! The record of one site, copied into a PostgreSQL server in which those of many sites come together.
//!
//! [`Ship`] reads journal and history beside the daemon, and writes nothing there. What is copied, and how
//! far that is, goes into the server in one transaction: cut short anywhere, the next round goes on where
//! the server says, so that each event and each sample is there once. In reading order: `schema.sql` says
//! what lies in the server, `server` reaches it, `events` and `samples` copy. It is not a second record: the
//! journal's chain is proven where it was written, and `docs/ship.md` tells how to prove the copy.

mod events;
mod samples;
mod server;

use std::path::Path;

use crate::history::{JournalReader, ReadError, SampleReader};
use crate::moment::Wall;

pub use server::{Server, ServerError};

/// What makes the tables in the server, for whoever may make them.
pub const SCHEMA: &str = include_str!("schema.sql");

/// Why nothing more is shipped.
#[derive(Debug, thiserror::Error)]
pub enum ShipError {
    /// The record cannot be read.
    #[error(transparent)]
    Record(#[from] ReadError),
    /// The server cannot be reached, or does not do what it is asked.
    #[error(transparent)]
    Server(#[from] ServerError),
}

/// What one round has shipped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Shipped {
    /// Events.
    pub events: u64,
    /// Samples, those among them that were shipped anew because their minute was written again.
    pub samples: u64,
    /// Up to when samples are there; `None` while there are none.
    pub samples_to: Option<Wall>,
    /// Since when samples are missing because the history gave them up before they were shipped: the end
    /// of what was shipped, and the beginning of what is left.
    pub given_up: Option<(Wall, Wall)>,
}

/// A site's record on its way to a server.
#[derive(Debug)]
pub struct Ship {
    site_id: String,
    journal: JournalReader,
    samples: SampleReader,
}

impl Ship {
    /// The record of the site with this id, in the data directory `dir`.
    pub fn new(site_id: &str, dir: &Path) -> Ship {
        Ship {
            site_id: site_id.to_owned(),
            journal: JournalReader::new(dir),
            samples: SampleReader::new(dir),
        }
    }

    /// Ships everything that was recorded and is not there yet, and tells after each transaction how far
    /// it has come.
    pub async fn round(
        &self,
        server: &mut Server,
        mut tell: impl FnMut(&Shipped),
    ) -> Result<Shipped, ShipError> {
        let mut shipped = Shipped::default();
        events::ship(self, server, &mut shipped, &mut tell).await?;
        samples::ship(self, server, &mut shipped, &mut tell).await?;
        Ok(shipped)
    }
}

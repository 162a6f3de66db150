//! Whether the daemon keeps its promises.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::view::{Elapsed, Instant};

/// Whether the daemon keeps its promises, and which it does not.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Health {
    /// Whether it keeps all of them.
    pub healthy: bool,
    /// One sentence for each promise that is not kept.
    pub reasons: Vec<String>,
    /// When the last snapshot was true.
    pub time: Instant,
    /// How long ago that was.
    pub age_s: Elapsed,
    /// Whether that is too long ago to be called the present.
    pub stale: bool,
}

//! What a signal has been: a course of buckets.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::history;
use crate::view::{Conversion, Instant};

/// What is known of a signal over a time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct History {
    /// `device.signal`.
    pub signal: String,
    /// The unit of every value.
    pub unit: Option<String>,
    /// Where the time begins.
    pub from: Instant,
    /// Where it ends.
    pub to: Instant,
    /// Stretches of time, oldest first, without a gap; long ones begin on round hours.
    pub buckets: Vec<Bucket>,
    /// How the values came into another unit than the site file's; only where one was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conversion: Option<Conversion>,
}

/// What is known of a signal over one stretch of time. Values that were not measured are in none of
/// its figures.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Bucket {
    /// Its beginning.
    pub from: Instant,
    /// Its end, which belongs to the next.
    pub to: Instant,
    /// The least value; `null` when nothing was measured.
    pub min: Option<f64>,
    /// The time-weighted mean over the measured time; of a state, the share of that time it was true.
    pub mean: Option<f64>,
    /// The greatest value; `null` when nothing was measured.
    pub max: Option<f64>,
    /// The share of the time, 0 to 1, for which there was a measured value.
    pub coverage: f64,
}

impl From<history::Bucket> for Bucket {
    fn from(bucket: history::Bucket) -> Self {
        let history::Bucket { from, to, min, mean, max, coverage, measured: _ } = bucket;
        Bucket { from: from.into(), to: to.into(), min, mean, max, coverage }
    }
}

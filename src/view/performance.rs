//! How well the alarms serve their operator.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::alarm::{Priority, performance};
use crate::view::{Elapsed, Instant, Word};

/// The alarms' performance over a time; [`crate::alarm::performance`] says what each figure means.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Performance {
    /// Where the time begins.
    pub from: Instant,
    /// Where it ends.
    pub to: Instant,
    /// How much of it is not known to have passed without the daemon.
    pub watched_s: Elapsed,
    /// How often alarms called.
    pub calls: usize,
    /// Calls an hour; `null` when nothing was watched.
    pub calls_per_hour: Option<f64>,
    /// Calls a day; `null` when nothing was watched.
    pub calls_per_day: Option<f64>,
    /// Calls in ten minutes, on average; `null` when nothing was watched.
    pub calls_per_ten_minutes: Option<f64>,
    /// The most calls in any ten minutes.
    pub most_in_ten_minutes: usize,
    /// How many floods there were.
    pub floods: usize,
    /// How long they lasted together.
    pub in_flood_s: Elapsed,
    /// The share of the time that is; `null` when nothing was watched.
    pub in_flood_share: Option<f64>,
    /// Alarms that called too often within a minute, the worst first.
    pub chattering: Vec<Chattering>,
    /// Alarms that have been active for too long, the longest first.
    pub stale: Vec<Stale>,
    /// The ten alarms that called most often, most often first.
    pub most_frequent: Vec<Frequent>,
    /// Their share of all calls together; `null` when there was none.
    pub most_frequent_share: Option<f64>,
    /// Calls by priority, from most to least urgent.
    pub by_priority: Vec<OfPriority>,
}

/// An alarm that called too often within a minute.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Chattering {
    /// Its id.
    pub alarm: String,
    /// The most calls within a minute.
    pub most_in_a_minute: usize,
}

/// An alarm that has been active for too long.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Stale {
    /// Its id.
    pub alarm: String,
    /// Since when it has been active.
    pub since: Instant,
}

/// An alarm that called often.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Frequent {
    /// Its id.
    pub alarm: String,
    /// How often.
    pub calls: usize,
    /// Its share of all calls.
    pub share: Option<f64>,
}

/// The calls of one priority.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OfPriority {
    /// Which.
    pub priority: Word<Priority>,
    /// How many.
    pub calls: usize,
    /// Their share of all calls; `null` when there was none.
    pub share: Option<f64>,
}

impl From<performance::Performance> for Performance {
    fn from(figures: performance::Performance) -> Self {
        let most_frequent = figures.most_frequent.iter().map(|frequent| frequent.calls).sum();
        Performance {
            from: figures.from.into(),
            to: figures.to.into(),
            watched_s: Elapsed(figures.watched),
            calls: figures.calls,
            calls_per_hour: figures.per_hour(),
            calls_per_day: figures.per_day(),
            calls_per_ten_minutes: figures.per_ten_minutes(),
            most_in_ten_minutes: figures.most_in_ten_minutes,
            floods: figures.floods,
            in_flood_s: Elapsed(figures.in_flood),
            in_flood_share: figures.in_flood_share(),
            most_frequent_share: figures.share(most_frequent),
            most_frequent: frequent(&figures),
            by_priority: by_priority(&figures),
            chattering: figures.chattering.into_iter().map(Chattering::from).collect(),
            stale: figures.stale.into_iter().map(Stale::from).collect(),
        }
    }
}

fn frequent(figures: &performance::Performance) -> Vec<Frequent> {
    let told = |frequent: &performance::Frequent| Frequent {
        alarm: frequent.alarm.clone(),
        calls: frequent.calls,
        share: figures.share(frequent.calls),
    };
    figures.most_frequent.iter().map(told).collect()
}

fn by_priority(figures: &performance::Performance) -> Vec<OfPriority> {
    let told =
        |(priority, calls)| OfPriority { priority: Word(priority), calls, share: figures.share(calls) };
    figures.by_priority.into_iter().map(told).collect()
}

impl From<performance::Chattering> for Chattering {
    fn from(chattering: performance::Chattering) -> Self {
        Chattering { alarm: chattering.alarm, most_in_a_minute: chattering.most_in_a_minute }
    }
}

impl From<performance::Stale> for Stale {
    fn from(stale: performance::Stale) -> Self {
        Stale { alarm: stale.alarm, since: stale.since.into() }
    }
}

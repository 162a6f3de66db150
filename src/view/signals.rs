//! What is known of each signal.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::moment::Moment;
use crate::monitor::{SignalStatus, Snapshot};
use crate::signal::{Condition, Quality, Reason, Sample};
use crate::view::{Conversion, Elapsed, Instant, Value, Word, status};

/// What is known of one signal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Signal {
    /// `device.signal`.
    pub id: String,
    /// What a person calls it.
    pub name: Option<String>,
    /// Its ISA-5.1 tag.
    pub tag: Option<String>,
    /// The value; `null` exactly when the quality is `bad`.
    pub value: Option<Value>,
    /// The unit of the value.
    pub unit: Option<String>,
    /// The name of the present state, when the signal has named states.
    pub state: Option<String>,
    /// How far the value may be trusted.
    pub quality: Word<Quality>,
    /// Why it is not good.
    pub reasons: Vec<Word<Reason>>,
    /// The NE 107 status that the reasons speak for.
    pub condition: Option<Word<Condition>>,
    /// When it was last read; `null` when it never was.
    pub time: Option<Instant>,
    /// How long ago that was.
    pub age_s: Option<Elapsed>,
    /// Since when the quality and its reasons have been what they are.
    pub since: Instant,
    /// For how long they have been so.
    pub since_s: Elapsed,
    /// The last value of good quality: the past, never to be used for the present.
    pub last_good: Option<LastGood>,
    /// How the values came into another unit than the site file's; only where one was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conversion: Option<Conversion>,
}

/// The last value of good quality.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LastGood {
    /// The value.
    pub value: Value,
    /// When it was read.
    pub time: Instant,
    /// How long ago that was.
    pub age_s: Elapsed,
}

/// Every signal, with the time at which this was known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Signals {
    /// When this was true.
    pub time: Instant,
    /// Whether that is too long ago to be called the present.
    pub stale: bool,
    /// Every signal, in site order.
    pub signals: Vec<Signal>,
}

impl Signal {
    /// What `snapshot` knows of `signal`, seen at `now`.
    pub fn of(signal: &SignalStatus, snapshot: &Snapshot, now: Moment) -> Signal {
        let stale = status::is_stale(snapshot, now);
        let sample = if stale { Sample::absent(Reason::Stale, signal.sample.at) } else { signal.sample };
        let since = if stale { snapshot.at } else { signal.since };
        let read = signal.read;
        Signal {
            id: signal.id.clone(),
            name: signal.name.clone(),
            tag: signal.tag.clone(),
            value: sample.value().map(Value::from),
            unit: signal.unit.clone(),
            state: signal.state.clone().filter(|_| sample.value().is_some()),
            quality: Word(sample.quality()),
            reasons: sample.reasons().iter().map(Word).collect(),
            condition: sample.condition().map(Word),
            time: read.map(Instant::from),
            age_s: read.map(|read| Elapsed::between(read, now)),
            since: since.into(),
            since_s: Elapsed::between(since, now),
            last_good: signal.last_good.map(|(value, read)| LastGood {
                value: value.into(),
                time: read.into(),
                age_s: Elapsed::between(read, now),
            }),
            conversion: None,
        }
    }

    /// The device's part of the id.
    pub fn device(&self) -> &str {
        self.id.split_once('.').map_or(self.id.as_str(), |(device, _)| device)
    }
}

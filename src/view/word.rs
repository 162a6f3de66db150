//! The core's closed word lists as JSON strings.
//!
//! A core enum knows its own words. [`Word`] lends it serde, so that the words stand in one place.

use std::borrow::Cow;
use std::fmt;
use std::ops::Deref;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::alarm::{Life, Priority, Withheld};
use crate::calibration::{Doubt, Point, Stage, Wear};
use crate::monitor::DeviceState;
use crate::signal::{Condition, Quality, Reason};
use crate::view::AlarmState;

/// A member of a closed word list, in JSON its word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Word<T>(pub T);

/// A closed word list.
pub trait Vocabulary: Copy + 'static {
    /// Every member.
    const MEMBERS: &'static [Self];
    /// The member's word.
    fn as_word(self) -> &'static str;
}

impl<T> Deref for Word<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.0
    }
}

impl<T: Vocabulary> fmt::Display for Word<T> {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(self.0.as_word())
    }
}

impl<T: Vocabulary> Serialize for Word<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.0.as_word())
    }
}

impl<'de, T: Vocabulary> Deserialize<'de> for Word<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let word = String::deserialize(deserializer)?;
        let member = T::MEMBERS.iter().find(|member| member.as_word() == word);
        member.map(|member| Word(*member)).ok_or_else(|| D::Error::custom(format!("unknown word {word:?}")))
    }
}

/// Every word stands in the schema: a closed list.
impl<T: Vocabulary> JsonSchema for Word<T> {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        "Word".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let words: Vec<&str> = T::MEMBERS.iter().map(|member| member.as_word()).collect();
        json_schema!({ "type": "string", "enum": words })
    }
}

/// The states of the life cycle, and the three ways to be withheld.
impl Vocabulary for AlarmState {
    const MEMBERS: &'static [Self] = &[
        AlarmState::Told(Life::Normal),
        AlarmState::Told(Life::Unacknowledged),
        AlarmState::Told(Life::Acknowledged),
        AlarmState::Told(Life::ReturnedUnacknowledged),
        AlarmState::Told(Life::LatchedUnacknowledged),
        AlarmState::Told(Life::LatchedAcknowledged),
        AlarmState::Withheld(Withheld::Shelved),
        AlarmState::Withheld(Withheld::Suppressed),
        AlarmState::Withheld(Withheld::OutOfService),
    ];

    fn as_word(self) -> &'static str {
        match self {
            AlarmState::Told(life) => life.word(),
            AlarmState::Withheld(why) => why.word(),
        }
    }
}

macro_rules! vocabulary {
    ($list:ty, $members:expr) => {
        impl Vocabulary for $list {
            const MEMBERS: &'static [Self] = &$members;

            fn as_word(self) -> &'static str {
                self.word()
            }
        }
    };
}

vocabulary!(Quality, [Quality::Good, Quality::Uncertain, Quality::Bad]);
vocabulary!(Point, Point::ALL);
vocabulary!(Stage, Stage::ALL);
vocabulary!(Doubt, Doubt::ALL);
vocabulary!(Wear, Wear::ALL);
vocabulary!(Reason, Reason::ALL);
vocabulary!(Life, Life::ALL);
vocabulary!(Withheld, [Withheld::OutOfService, Withheld::Shelved, Withheld::Suppressed]);
vocabulary!(Priority, Priority::ALL);
vocabulary!(
    Condition,
    [
        Condition::Failure,
        Condition::FunctionCheck,
        Condition::OutOfSpecification,
        Condition::MaintenanceRequired
    ]
);
vocabulary!(
    DeviceState,
    [DeviceState::Unknown, DeviceState::Online, DeviceState::Degraded, DeviceState::Lost]
);

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn survives<T: Vocabulary + PartialEq + fmt::Debug>() {
        for member in T::MEMBERS {
            let json = serde_json::to_string(&Word(*member)).unwrap();
            assert_eq!(json, format!("{:?}", member.as_word()));
            assert_eq!(serde_json::from_str::<Word<T>>(&json).unwrap().0, *member);
        }
    }

    #[test]
    fn every_word_is_read_back_as_what_it_was() {
        survives::<Quality>();
        survives::<Reason>();
        survives::<Life>();
        survives::<AlarmState>();
        survives::<Withheld>();
        survives::<Priority>();
        survives::<Condition>();
        survives::<DeviceState>();
        survives::<Point>();
        survives::<Stage>();
        survives::<Wear>();
    }

    #[test]
    fn a_word_outside_the_list_is_refused() {
        assert!(serde_json::from_str::<Word<Quality>>("\"splendid\"").is_err());
    }
}

//! The numbers that stand for words in the SCADA map. A contract: a code keeps its meaning.
//!
//! The words of each code stand in [`crate::scada::layout`] for people; a test here holds the two
//! together.

use crate::alarm::{Life, Withheld};
use crate::monitor::DeviceState;
use crate::signal::{BadValue, Condition, Quality};
use crate::view::{AlarmState, LineState, Verdict};

/// `SIGNAL_QUALITY`.
pub(super) const fn quality(quality: Quality) -> u16 {
    match quality {
        Quality::Good => 1,
        Quality::Uncertain => 2,
        Quality::Bad => 3,
    }
}

/// `SIGNAL_CONDITION`: the numbers of OPC 10000-100, section 4.5.4, Table 22. A signal that is not
/// good for a reason that says nothing of its device has a condition that is not known.
pub(super) fn condition(condition: Option<Condition>, quality: Quality) -> u16 {
    match condition {
        Some(Condition::Failure) => 1,
        Some(Condition::FunctionCheck) => 2,
        Some(Condition::OutOfSpecification) => 3,
        Some(Condition::MaintenanceRequired) => 4,
        None if quality == Quality::Good => 0,
        None => 255,
    }
}

/// `ALARM_STATE`.
pub(super) const fn alarm_state(state: AlarmState) -> u16 {
    match state {
        AlarmState::Told(Life::Normal) => 1,
        AlarmState::Told(Life::Unacknowledged) => 2,
        AlarmState::Told(Life::Acknowledged) => 3,
        AlarmState::Told(Life::ReturnedUnacknowledged) => 4,
        AlarmState::Told(Life::LatchedUnacknowledged) => 5,
        AlarmState::Told(Life::LatchedAcknowledged) => 6,
        AlarmState::Withheld(Withheld::Shelved) => 7,
        AlarmState::Withheld(Withheld::Suppressed) => 8,
        AlarmState::Withheld(Withheld::OutOfService) => 9,
    }
}

/// `DEVICE_STATE`.
pub(super) const fn device_state(state: DeviceState) -> u16 {
    match state {
        DeviceState::Unknown => 1,
        DeviceState::Online => 2,
        DeviceState::Degraded => 3,
        DeviceState::Lost => 4,
    }
}

/// `LINE_STATE`.
pub(super) const fn line_state(state: Option<LineState>) -> u16 {
    match state {
        None => 1,
        Some(LineState::Up) => 2,
        Some(LineState::Down) => 3,
        Some(LineState::Lent) => 4,
    }
}

/// `SITE_GAS`.
pub(super) const fn verdict(verdict: Verdict) -> u16 {
    match verdict {
        Verdict::WithinLimits => 1,
        Verdict::OutsideLimits => 2,
        Verdict::NotKnown => 3,
        Verdict::NoLimits => 4,
        Verdict::BeyondPending => 5,
    }
}

/// `SITE_BAD_VALUE`.
pub(super) const fn bad_value(bad_value: BadValue) -> u16 {
    match bad_value {
        BadValue::Nan => 1,
        BadValue::LastGood => 2,
        BadValue::Fixed(_) => 3,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scada::layout::{
        ALARM_BIT_NAMES, ALARM_BITS, ALARM_STATE, DEVICE_STATE, Field, SIGNAL_CONDITION, SIGNAL_QUALITY,
        SIGNAL_REASONS, SITE_GAS,
    };
    use crate::signal::{Reason, Reasons};
    use crate::view::{Vocabulary, Word};

    /// Whether the field's meaning says `3 bad` for code 3 and word `bad`.
    fn tells(field: Field, code: u16, word: &str) {
        let told = format!("{code} {word}");
        let found = field.meaning.split([',', ';', ':']).any(|part| part.trim() == told);
        assert!(found, "{}: {told}", field.meaning);
    }

    fn tells_all<T: Vocabulary>(field: Field, code: impl Fn(T) -> u16) {
        T::MEMBERS.iter().for_each(|member| tells(field, code(*member), &Word(*member).to_string()));
    }

    #[test]
    fn the_map_tells_each_code_with_the_word_of_json() {
        tells_all(SIGNAL_QUALITY, quality);
        tells_all(SIGNAL_CONDITION, |member: Condition| condition(Some(member), Quality::Bad));
        tells_all(ALARM_STATE, alarm_state);
        tells_all(DEVICE_STATE, device_state);
        for (told, word) in [
            (Verdict::WithinLimits, "within_limits"),
            (Verdict::OutsideLimits, "outside_limits"),
            (Verdict::NotKnown, "not_known"),
            (Verdict::NoLimits, "no_limits"),
            (Verdict::BeyondPending, "beyond_pending"),
        ] {
            tells(SITE_GAS, verdict(told), word);
        }
        for reason in Reason::ALL {
            let bit = Reasons::one(reason).bits().trailing_zeros();
            tells(SIGNAL_REASONS, u16::try_from(bit).unwrap_or(u16::MAX), reason.word());
        }
        for (bit, name) in (0..).zip(ALARM_BIT_NAMES) {
            tells(ALARM_BITS, bit, name);
        }
    }
}

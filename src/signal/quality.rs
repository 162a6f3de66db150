//! How well a value is known: quality, the closed list of reasons, and the NE 107 condition.

use std::fmt;

/// How far a sample may be trusted. The order is from best to worst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quality {
    /// A measurement.
    Good,
    /// A value to be used with care.
    Uncertain,
    /// Not a measurement; there is no value.
    Bad,
}

impl Quality {
    /// The word used in JSON and on every face.
    pub const fn word(self) -> &'static str {
        match self {
            Quality::Good => "good",
            Quality::Uncertain => "uncertain",
            Quality::Bad => "bad",
        }
    }
}

/// Why a sample is not good, or not for long. A closed list: it may grow, its words never change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u32)]
pub enum Reason {
    /// Nothing has been read since the daemon started.
    NotYetRead,
    /// The device does not answer, or its line is down.
    CommunicationLost,
    /// The last answer is older than the device's limit.
    Stale,
    /// The device answered with a Modbus exception.
    DeviceException,
    /// NaN, infinity, or a code without a name.
    InvalidNumber,
    /// The loop current is at or below 3.6 mA (NE 43).
    LoopFailureLow,
    /// The loop current is at or above 21.0 mA (NE 43).
    LoopFailureHigh,
    /// The loop current lies between measurement and failure: neither (NE 43).
    LoopOutOfRange,
    /// Below the measuring range.
    BelowRange,
    /// Above the measuring range.
    AboveRange,
    /// A condition in `valid_when` does not hold, or is not known to hold.
    SampleCondition,
    /// Validity has returned, but the sample line has not been flushed yet.
    Settling,
    /// The analyzer is in calibration or under test.
    FunctionCheck,
    /// The value has not moved although the device answers.
    Frozen,
    /// The line passes so many damaged frames that the CRC can no longer vouch for the rest.
    LineNoise,
    /// The line is lent to somebody who works on it: its devices are not asked meanwhile.
    LineLent,
    /// A function check ran out, and nobody has said that process gas flows again.
    CheckOverrun,
    /// Little is left of what the sensor can bear. The value is good.
    SensorWear,
    /// The sensor is past its life, or past the gas that it can bear.
    SensorSpent,
    /// A condition in `valid_when` holds by a value that is itself uncertain.
    ConditionUncertain,
}

impl Reason {
    /// Every reason, in the order they are told.
    pub const ALL: [Reason; 20] = [
        Reason::NotYetRead,
        Reason::CommunicationLost,
        Reason::Stale,
        Reason::DeviceException,
        Reason::InvalidNumber,
        Reason::LoopFailureLow,
        Reason::LoopFailureHigh,
        Reason::LoopOutOfRange,
        Reason::BelowRange,
        Reason::AboveRange,
        Reason::SampleCondition,
        Reason::Settling,
        Reason::FunctionCheck,
        Reason::Frozen,
        Reason::LineNoise,
        Reason::LineLent,
        Reason::CheckOverrun,
        Reason::SensorWear,
        Reason::SensorSpent,
        Reason::ConditionUncertain,
    ];

    /// The word used in JSON and in the record.
    pub const fn word(self) -> &'static str {
        match self {
            Reason::NotYetRead => "not_yet_read",
            Reason::CommunicationLost => "communication_lost",
            Reason::Stale => "stale",
            Reason::DeviceException => "device_exception",
            Reason::InvalidNumber => "invalid_number",
            Reason::LoopFailureLow => "loop_failure_low",
            Reason::LoopFailureHigh => "loop_failure_high",
            Reason::LoopOutOfRange => "loop_out_of_range",
            Reason::BelowRange => "below_range",
            Reason::AboveRange => "above_range",
            Reason::SampleCondition => "sample_condition",
            Reason::Settling => "settling",
            Reason::FunctionCheck => "function_check",
            Reason::Frozen => "frozen",
            Reason::LineNoise => "line_noise",
            Reason::LineLent => "line_lent",
            Reason::CheckOverrun => "check_overrun",
            Reason::SensorWear => "sensor_wear",
            Reason::SensorSpent => "sensor_spent",
            Reason::ConditionUncertain => "condition_uncertain",
        }
    }

    /// The reason in words for a person.
    pub const fn sentence(self) -> &'static str {
        match self {
            Reason::NotYetRead => "nothing has been read yet",
            Reason::CommunicationLost => "the device does not answer",
            Reason::Stale => "the last answer is too old",
            Reason::DeviceException => "the device answered with an exception",
            Reason::InvalidNumber => "the device sent something that is not a number",
            Reason::LoopFailureLow => "the loop current signals a failure (3.6 mA or less)",
            Reason::LoopFailureHigh => "the loop current signals a failure (21 mA or more)",
            Reason::LoopOutOfRange => "the loop current is outside 3.8 to 20.5 mA",
            Reason::BelowRange => "below the measuring range",
            Reason::AboveRange => "above the measuring range",
            Reason::SampleCondition => "the conditions for a valid sample do not hold",
            Reason::Settling => "still settling: the sample line is being flushed, or the sensor is new",
            Reason::FunctionCheck => "the analyzer is in calibration or under test",
            Reason::Frozen => "the value has stopped moving",
            Reason::LineNoise => "the line is so noisy that a false frame could pass",
            Reason::LineLent => "the line is lent to somebody who works on it",
            Reason::CheckOverrun => "a function check ran out, and nobody has ended it",
            Reason::SensorWear => "the sensor nears its end",
            Reason::SensorSpent => "the sensor is past its life or past the gas that it can bear",
            Reason::ConditionUncertain => "a condition for a valid sample holds by an uncertain value only",
        }
    }

    /// The reason whose [`Reason::word`] is `word`.
    pub fn from_word(word: &str) -> Option<Reason> {
        Reason::ALL.into_iter().find(|reason| reason.word() == word)
    }

    /// The best quality a sample with this reason can have.
    ///
    /// Values that are no numbers, loops outside the NE 43 limits and values outside the range are
    /// never good. Source: OPC 30142 Table 13 for failure and function check (Bad) and out of
    /// specification (Uncertain); NE 107 itself calls the output still valid while maintenance is required.
    pub const fn quality(self) -> Quality {
        match self {
            Reason::NotYetRead
            | Reason::CommunicationLost
            | Reason::Stale
            | Reason::DeviceException
            | Reason::InvalidNumber
            | Reason::LoopFailureLow
            | Reason::LoopFailureHigh
            | Reason::SampleCondition
            | Reason::FunctionCheck
            | Reason::LineLent => Quality::Bad,
            Reason::LoopOutOfRange
            | Reason::BelowRange
            | Reason::AboveRange
            | Reason::Settling
            | Reason::Frozen
            | Reason::LineNoise
            | Reason::CheckOverrun
            | Reason::SensorSpent
            | Reason::ConditionUncertain => Quality::Uncertain,
            Reason::SensorWear => Quality::Good,
        }
    }

    /// The NE 107 status the reason speaks for, or `None` where the device's own status is not known.
    pub const fn condition(self) -> Option<Condition> {
        match self {
            Reason::NotYetRead
            | Reason::CommunicationLost
            | Reason::Stale
            | Reason::LineNoise
            | Reason::LineLent => None,
            Reason::DeviceException
            | Reason::InvalidNumber
            | Reason::LoopFailureLow
            | Reason::LoopFailureHigh => Some(Condition::Failure),
            Reason::FunctionCheck => Some(Condition::FunctionCheck),
            Reason::LoopOutOfRange
            | Reason::BelowRange
            | Reason::AboveRange
            | Reason::SampleCondition
            | Reason::Settling
            | Reason::CheckOverrun
            | Reason::SensorSpent
            | Reason::ConditionUncertain => Some(Condition::OutOfSpecification),
            Reason::Frozen | Reason::SensorWear => Some(Condition::MaintenanceRequired),
        }
    }

    #[expect(clippy::as_conversions, reason = "a fieldless enum has no other way to its number in a const")]
    const fn bit(self) -> u32 {
        1 << (self as u32)
    }
}

/// A NAMUR NE 107 status. The order is by urgency, most urgent first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Condition {
    /// The output is invalid because of a malfunction.
    Failure,
    /// The output is for now invalid because work goes on at the device.
    FunctionCheck,
    /// The device works outside its specified conditions.
    OutOfSpecification,
    /// The output is still valid, but wear is nearly used up.
    MaintenanceRequired,
}

impl Condition {
    /// The word used in JSON and on every face.
    pub const fn word(self) -> &'static str {
        match self {
            Condition::Failure => "failure",
            Condition::FunctionCheck => "function_check",
            Condition::OutOfSpecification => "out_of_specification",
            Condition::MaintenanceRequired => "maintenance_required",
        }
    }
}

/// A set of reasons.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Reasons(u32);

impl Reasons {
    /// No reason: good.
    pub const NONE: Reasons = Reasons(0);

    /// The set of one reason.
    pub const fn one(reason: Reason) -> Self {
        Reasons(reason.bit())
    }

    /// Adds a reason.
    pub fn insert(&mut self, reason: Reason) {
        self.0 |= reason.bit();
    }

    /// Whether the set holds `reason`.
    pub const fn contains(self, reason: Reason) -> bool {
        self.0 & reason.bit() != 0
    }

    /// Whether the set is empty.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The reasons in the order of [`Reason::ALL`].
    pub fn iter(self) -> impl Iterator<Item = Reason> {
        Reason::ALL.into_iter().filter(move |reason| self.contains(*reason))
    }

    /// The set as bits, one per reason by its place in [`Reason::ALL`], for storage.
    pub const fn bits(self) -> u32 {
        self.0
    }

    /// The set stored as `bits`; bits of unknown reasons are dropped.
    pub fn from_bits(bits: u32) -> Self {
        Reason::ALL.into_iter().filter(|reason| bits & reason.bit() != 0).collect()
    }

    /// The worst quality among the reasons; good when there is none.
    pub const fn quality(self) -> Quality {
        match (self.0 & BAD.0, self.0 & UNCERTAIN.0) {
            (0, 0) => Quality::Good,
            (0, _) => Quality::Uncertain,
            _ => Quality::Bad,
        }
    }

    /// The most urgent NE 107 status among the reasons.
    pub fn condition(self) -> Option<Condition> {
        self.iter().filter_map(Reason::condition).min()
    }
}

/// The reasons that leave no value: every sample is asked for them, most of them several times.
const BAD: Reasons = all_that_are(Quality::Bad);

/// The reasons that leave a value to be used with care.
const UNCERTAIN: Reasons = all_that_are(Quality::Uncertain);

#[expect(clippy::as_conversions, reason = "fieldless enums cannot be compared in a const otherwise")]
const fn all_that_are(quality: Quality) -> Reasons {
    let (mut bits, mut place) = (0, 0);
    while place < Reason::ALL.len() {
        let reason = Reason::ALL[place];
        if reason.quality() as u8 == quality as u8 {
            bits |= reason.bit();
        }
        place += 1;
    }
    Reasons(bits)
}

impl FromIterator<Reason> for Reasons {
    fn from_iter<I: IntoIterator<Item = Reason>>(reasons: I) -> Self {
        let mut set = Reasons::NONE;
        for reason in reasons {
            set.insert(reason);
        }
        set
    }
}

impl fmt::Debug for Reasons {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_set().entries(self.iter()).finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_set_is_as_good_as_the_worst_of_its_reasons() {
        assert_eq!(Reasons::NONE.quality(), Quality::Good);
        for one in Reason::ALL {
            for other in Reason::ALL {
                let both: Reasons = [one, other].into_iter().collect();
                assert_eq!(both.quality(), one.quality().max(other.quality()), "{both:?}");
            }
        }
    }
}

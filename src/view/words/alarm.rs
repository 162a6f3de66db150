//! An alarm, and the state of the gas, in words.

use jiff::tz::TimeZone;

use crate::alarm::{Life, Withheld};
use crate::monitor::Who;
use crate::view::words::clock_time;
use crate::view::{Alarm, AlarmState, Decision, Instant, Signal, Verdict};

/// Where an alarm is in its life cycle, and what it waits for.
pub fn alarm_state(state: impl Into<AlarmState>) -> &'static str {
    let life = match state.into() {
        AlarmState::Told(life) => life,
        AlarmState::Withheld(Withheld::Shelved) => return "shelved",
        AlarmState::Withheld(Withheld::Suppressed) => return "suppressed by design",
        AlarmState::Withheld(Withheld::OutOfService) => return "out of service",
    };
    match life {
        Life::Normal => "normal",
        Life::Unacknowledged => "active, not acknowledged",
        Life::Acknowledged => "active, acknowledged",
        Life::ReturnedUnacknowledged => "gone again, not acknowledged",
        Life::LatchedUnacknowledged => "gone again, to be acknowledged and reset",
        Life::LatchedAcknowledged => "gone again, to be reset",
    }
}

/// Of an alarm whose on-delay runs.
const PENDING: &str = "its condition holds, not yet for its on-delay";

/// Where an alarm that is told stands now. One whose condition cannot be known is never called normal,
/// whatever it was when it last was known.
pub fn standing(alarm: &Alarm) -> String {
    let state = alarm_state(alarm.state.0);
    match (alarm.state.0, alarm.active) {
        (AlarmState::Told(Life::Normal), Some(_)) if alarm.pending => PENDING.to_owned(),
        (AlarmState::Told(_), Some(_)) if alarm.pending => format!("{state}; {PENDING}"),
        (AlarmState::Told(life), None) => life_not_judged(life),
        (AlarmState::Told(_), Some(_)) | (AlarmState::Withheld(_), _) => state.to_owned(),
    }
}

/// Where an alarm is whose condition cannot be known: one that would be normal is not called so.
pub fn life_not_judged(life: Life) -> String {
    if life == Life::Normal {
        return "cannot be judged now".to_owned();
    }
    format!("{}, cannot be judged now", alarm_state(AlarmState::Told(life)))
}

/// Why it is withheld, until when and by whom: `shelved until 09:04:05 by R. Vale (operator): filter
/// change`. `None` when it is told.
pub fn withheld_text(alarm: &Alarm, now: Instant, zone: &TimeZone) -> Option<String> {
    let mut text = match (alarm.withheld()?, alarm.shelved_until) {
        (Withheld::Shelved, Some(until)) => shelved_text(alarm, &clock_time(until, now, zone)),
        (Withheld::Shelved, None) => "shelved until its condition is gone".to_owned(),
        (why @ (Withheld::Suppressed | Withheld::OutOfService), _) => {
            alarm_state(AlarmState::Withheld(why)).to_owned()
        }
    };
    if let Some(Decision { user, name, remark }) = &alarm.withheld_by {
        text += &format!(" by {}", Who { user: user.clone(), name: name.clone() });
        text.extend(remark.iter().map(|remark| format!(": {remark}")));
    }
    Some(text)
}

/// Until when it is shelved, where `until` is that time in words.
pub fn shelved_text(alarm: &Alarm, until: &str) -> String {
    let gone = if alarm.shelved_once { " its condition is gone, at the latest" } else { "" };
    format!("shelved until{gone} {until}")
}

/// What it watches for: `above 4 ppmv`, `no valid measurement`.
pub fn condition_of(alarm: &Alarm, signal: Option<&Signal>) -> String {
    let what = match alarm.kind.as_str() {
        "state" => "in a state it should not be in",
        "frozen" => "does not move",
        "lost" => "no valid measurement",
        "vote" => "several alarms agree",
        "fault" => "siskin's watch over lines, record, calibrations and sensors",
        other => other,
    };
    limit_text(alarm, signal).unwrap_or_else(|| what.to_owned())
}

/// What a limit asks: `above 4 ppmv`. `None` for an alarm without a setpoint.
pub fn limit_text(alarm: &Alarm, signal: Option<&Signal>) -> Option<String> {
    let (side, per) = match alarm.kind.as_str() {
        "high" => ("above", ""),
        "low" => ("below", ""),
        "rise" => ("rises more than", " a minute"),
        "fall" => ("falls more than", " a minute"),
        "average_high" => ("average above", ""),
        "average_low" => ("average below", ""),
        "deviation" => ("disagrees by more than", ""),
        other => (other, ""),
    };
    let unit = signal.and_then(|signal| signal.unit.as_deref()).unwrap_or_default();
    let told = |setpoint: f64| format!("{side} {setpoint} {unit}").trim_end().to_owned() + per;
    alarm.setpoint.map(told)
}

/// The answer to "does the gas keep its limits?".
pub const fn verdict_text(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::WithinLimits => "Within limits",
        Verdict::OutsideLimits => "Outside limits",
        Verdict::BeyondPending => "Beyond a limit, alarm pending",
        Verdict::NotKnown => "Not known",
        Verdict::NoLimits => "No limits set",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::view::{Status, Word, story};

    #[test]
    fn an_alarm_whose_condition_cannot_be_known_is_never_called_normal() {
        let snapshot = story::story();
        let mut status = Status::of(&snapshot, snapshot.at);
        for alarm in &mut status.alarms {
            for life in Life::ALL {
                (alarm.state, alarm.active) = (Word(AlarmState::Told(life)), None);
                let text = standing(alarm);
                assert!(text.ends_with("cannot be judged now") && !text.contains("normal"), "{text}");
            }
        }
        assert!(!status.alarms.is_empty());
    }
}

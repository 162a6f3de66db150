//! What siskin can see for itself of a step: from the running daemon's status and from the record.

use serde_json::Value;

use crate::calibration::{Doubt, Point, Stage};
use crate::config::Site;
use crate::proving::checklist::{Check, ListStep};
use crate::proving::record::{Record, Told};
use crate::signal::{Reason, SignalSpec, device_id};
use crate::units::{Quantity, Unit};
use crate::view::words::number;

/// What was seen.
pub(super) struct Seen {
    /// Whether it is as it should be; `None` when siskin cannot tell and a person must.
    pub pass: Option<bool>,
    /// In words.
    pub words: Vec<String>,
}

impl Seen {
    /// The word in the record.
    pub fn word(&self) -> &'static str {
        match self.pass {
            Some(true) => "pass",
            Some(false) => "fail",
            None => "unknown",
        }
    }

    /// Of single findings: all must hold, and one at least must be there.
    /// Where nothing was found siskin cannot tell, and a person must.
    fn of(findings: Vec<(bool, String)>, nothing: &str) -> Seen {
        if findings.is_empty() {
            return Seen { pass: None, words: vec![nothing.to_owned()] };
        }
        let pass = findings.iter().all(|(holds, _)| *holds);
        Seen { pass: Some(pass), words: findings.into_iter().map(|(_, words)| words).collect() }
    }
}

/// Looks at what the step asks of `device`.
pub(super) fn look(
    check: Check,
    step: &ListStep,
    device: &str,
    status: &Value,
    site: &Site,
    record: &Record,
) -> Seen {
    let signals = || items(&status["signals"]).filter(|signal| of_device(&signal["id"], device));
    let alarms = || items(&status["alarms"]).filter(|alarm| of_device(&alarm["signal"], device));
    match check {
        Check::Answers => {
            let own = items(&status["devices"]).filter(|found| found["id"] == device);
            let found = own
                .map(|found| (found["state"] == "online", format!("{device} is {}", plain(&found["state"]))));
            Seen::of(found.collect(), "the daemon has no such device")
        }
        Check::ZeroPressure => zero_pressure(step, device, status, site),
        Check::Flow => {
            let flows = signals().filter(|signal| {
                matches!(quantity(&signal["unit"]), Some(Quantity::Flow | Quantity::ReferenceFlow(_)))
            });
            let found = flows.map(|flow| {
                let flowing =
                    flow["quality"] == "good" && flow["value"].as_f64().is_some_and(|value| value > 0.0);
                (flowing, signal_words(flow))
            });
            Seen::of(found.collect(), "the device tells no flow")
        }
        Check::Signals => {
            let found = signals().map(|signal| (signal["quality"] == "good", signal_words(signal)));
            Seen::of(found.collect(), "the device has no signals")
        }
        Check::Calibrated => {
            recorded(calibrated(record), "no calibration is in the journal since the commissioning began")
        }
        Check::LoopAgrees => {
            let found = record.loop_check.iter().map(|told| {
                let pass = told.flag("pass") == Some(true);
                (pass, format!("loop check, event {}: {}", told.seq, if pass { "passed" } else { "failed" }))
            });
            recorded(found.collect(), "no loop check is in the journal since the commissioning began")
        }
        Check::AlarmsProven => {
            let found = alarms().map(|alarm| {
                let id = plain(&alarm["id"]);
                let (holds, words) = match record.alarms.get(&id) {
                    Some(true) => (true, "came and went"),
                    Some(false) => (false, "came and stands"),
                    None => (false, "has not come"),
                };
                (holds, format!("{id} {words}"))
            });
            Seen::of(found.collect(), "no alarm is on this device")
        }
        Check::InService => in_service(device, status),
    }
}

fn in_service(device: &str, status: &Value) -> Seen {
    let says = |word: Reason| {
        let mut own = items(&status["signals"]).filter(|signal| of_device(&signal["id"], device));
        own.any(|signal| items(&signal["reasons"]).any(|reason| reason == word.word()))
    };
    let mut found = vec![if says(Reason::FunctionCheck) {
        (false, format!("{device} is in function check"))
    } else if says(Reason::CheckOverrun) {
        (false, format!("the function check of {device} ran out, and nobody has ended it"))
    } else {
        (true, format!("{device} is not in function check"))
    }];
    let alarms = items(&status["alarms"]).filter(|alarm| of_device(&alarm["signal"], device));
    let withheld = |alarm: &&Value| {
        ["shelved", "suppressed", "out_of_service"].iter().any(|state| alarm["state"] == *state)
    };
    found.extend(alarms.filter(withheld).map(|alarm| {
        (false, format!("{} is {}", plain(&alarm["id"]), plain(&alarm["state"]).replace('_', " ")))
    }));
    Seen::of(found, "")
}

/// Of each signal that was calibrated: zero and span, both as left and within the tolerance.
fn calibrated(record: &Record) -> Vec<(bool, String)> {
    let last = |signal: &str, point: Point| {
        record
            .calibrations
            .iter()
            .find(|told| told.text("signal") == Some(signal) && told.text("point") == Some(point.word()))
    };
    let of_point = |signal: &str, point: Point| match last(signal, point) {
        None => (false, format!("{signal} at {}: not recorded", point.word())),
        Some(told) => {
            let left = told.text("stage") == Some(Stage::AsLeft.word());
            let words = match (left, told.flag("pass") == Some(true)) {
                (false, _) => "as found, and not as left after it",
                (true, true) => "as left, passed",
                (true, false) => "as left, failed",
            };
            let pass = left && told.flag("pass") == Some(true);
            let doubts = doubts_of(told);
            (pass, format!("{signal} at {}: {words}, event {}{doubts}", point.word(), told.seq))
        }
    };
    let mut signals: Vec<&str> = record.calibrations.iter().filter_map(|told| told.text("signal")).collect();
    signals.sort_unstable();
    signals.dedup();
    // Each may be right by itself; whoever signs must see that they were not left together.
    let apart = |signal: &str| {
        let [zero, span] = Point::ALL.map(|point| last(signal, point)?.text("session"));
        (zero? != span?).then(|| (true, format!("{signal}: zero and span are of two function checks")))
    };
    let of_signal = |signal| Point::ALL.map(|point| of_point(signal, point)).into_iter().chain(apart(signal));
    signals.into_iter().flat_map(of_signal).collect()
}

/// What made a record doubtful: whoever signs must see it.
fn doubts_of(told: &Told) -> String {
    let words = told.detail.get("doubts").map_or(&Value::Null, |doubts| doubts);
    let sentences = items(words).filter_map(|word| Some(Doubt::from_word(word.as_str()?)?.sentence()));
    let sentences: Vec<&str> = sentences.collect();
    if sentences.is_empty() { String::new() } else { format!(", DOUBTFUL: {}", sentences.join("; ")) }
}

/// Of what the record must hold: where it holds nothing, it is not so.
fn recorded(findings: Vec<(bool, String)>, nothing: &str) -> Seen {
    let none = findings.is_empty().then(|| (false, nothing.to_owned()));
    Seen::of(findings.into_iter().chain(none).collect(), nothing)
}

fn zero_pressure(step: &ListStep, device: &str, status: &Value, site: &Site) -> Seen {
    let within = step.within.unwrap_or_default();
    let own = site.signals.iter().filter(|spec| of_device(&Value::from(spec.id.as_str()), device));
    let gauge = own.filter(|spec| {
        let quantity = spec.unit.as_deref().and_then(Unit::parse).map(|unit| unit.quantity);
        matches!(quantity, Some(Quantity::GaugePressure | Quantity::Pressure))
    });
    let found = gauge.filter_map(|spec: &SignalSpec| {
        let allowed = within * spec.range.map(|range| range.high - range.low)?;
        let signal = items(&status["signals"]).find(|signal| signal["id"] == spec.id.as_str())?;
        let near = signal["value"].as_f64().is_some_and(|value| value.abs() <= allowed);
        Some((near, format!("{}, allowed {allowed}", signal_words(signal))))
    });
    let mut seen = Seen::of(found.collect(), "the device tells no gauge pressure with a range");
    // `psi` alone may be absolute: then a person tells whether it is the air's.
    if seen.pass == Some(false) {
        seen.words
            .push("an absolute pressure is not zero: then answer not-applicable with a remark".to_owned());
    }
    seen
}

fn items(list: &Value) -> impl Iterator<Item = &Value> {
    list.as_array().map_or(&[][..], Vec::as_slice).iter()
}

fn of_device(id: &Value, device: &str) -> bool {
    id.as_str().is_some_and(|id| device_id(id) == device)
}

fn quantity(unit: &Value) -> Option<Quantity> {
    Unit::parse(unit.as_str()?).map(|unit| unit.quantity)
}

fn plain(value: &Value) -> String {
    value.as_str().map_or_else(|| value.to_string(), str::to_owned)
}

fn signal_words(signal: &Value) -> String {
    let (id, value) = (plain(&signal["id"]), &signal["value"]);
    if value.is_null() {
        let reasons: Vec<String> = items(&signal["reasons"]).map(plain).collect();
        format!("{id} is not measured: {}", reasons.join(", ").replace('_', " "))
    } else {
        let value = value.as_f64().map_or_else(|| plain(value), number);
        format!("{id} {value} {} ({})", signal["unit"].as_str().unwrap_or(""), plain(&signal["quality"]))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use serde_json::json;

    fn told(seq: u64, kind: &str, detail: Value) -> Told {
        Told {
            seq,
            at: "2026-03-02T15:00:00Z".parse().unwrap(),
            kind: kind.to_owned(),
            subject: "h2s-1".to_owned(),
            who: None,
            detail: detail.as_object().cloned().unwrap_or_default(),
            hash: String::new(),
        }
    }

    /// What is seen after these records: point, stage and whether it passed.
    fn seen(records: &[(&str, &str, bool)]) -> (bool, String) {
        let begun = told(1, "commissioning_begun", json!({}));
        let of_record = |(seq, (point, stage, pass)): (u64, &(&str, &str, bool))| {
            let detail = json!({ "signal": "h2s-1.gas", "point": point, "stage": stage, "pass": pass });
            told(seq, "calibration_recorded", detail)
        };
        let events: Vec<Told> = std::iter::once(begun).chain((2..).zip(records).map(of_record)).collect();
        let record = Record::of("h2s-1", &events).unwrap();
        let seen = recorded(calibrated(&record), "no calibration");
        (seen.pass.unwrap(), seen.words.join("; "))
    }

    #[test]
    fn zero_and_span_that_were_not_left_together_are_told_as_such() {
        let seen = |sessions: [&str; 2]| {
            let record = |(seq, (point, session)): (u64, (&str, &str))| {
                let detail = json!({ "signal": "h2s-1.gas", "point": point, "stage": "as_left", "pass": true, "session": session });
                told(seq, "calibration_recorded", detail)
            };
            let records = (2..).zip(["zero", "span"].into_iter().zip(sessions)).map(record);
            let events: Vec<Told> =
                std::iter::once(told(1, "commissioning_begun", json!({}))).chain(records).collect();
            let findings = calibrated(&Record::of("h2s-1", &events).unwrap());
            findings.into_iter().map(|(_, words)| words).collect::<Vec<_>>().join("; ")
        };
        let apart = "h2s-1.gas: zero and span are of two function checks";
        assert!(seen(["2026-03-02T15:00:00Z", "2026-03-03T15:00:00Z"]).ends_with(apart));
        assert!(!seen(["2026-03-02T15:00:00Z"; 2]).contains(apart));
    }

    #[test]
    fn a_calibration_counts_when_zero_and_span_were_left_within_the_tolerance() {
        assert_eq!(seen(&[]), (false, "no calibration".to_owned()));
        let (zero, span) = (("zero", "as_left", true), ("span", "as_left", true));
        let (pass, words) = seen(&[zero]);
        assert!(!pass && words.contains("h2s-1.gas at span: not recorded"), "{words}");
        let (pass, words) = seen(&[zero, ("span", "as_found", true)]);
        assert!(!pass && words.contains("as found, and not as left after it"), "{words}");
        let (pass, words) = seen(&[zero, ("span", "as_left", false)]);
        assert!(!pass && words.contains("as left, failed"), "{words}");
        let (pass, words) = seen(&[zero, ("span", "as_found", false), span]);
        assert!(pass && words.contains("h2s-1.gas at span: as left, passed, event 4"), "{words}");
    }

    #[test]
    fn a_device_whose_function_check_ran_out_is_not_in_service() {
        let seen = |reasons: Value| {
            in_service(
                "h2s-1",
                &json!({ "signals": [{ "id": "h2s-1.gas", "reasons": reasons }], "alarms": [] }),
            )
        };
        assert_eq!(seen(json!([])).pass, Some(true));
        for reason in [Reason::FunctionCheck, Reason::CheckOverrun] {
            assert_eq!(seen(json!([reason.word()])).pass, Some(false), "{}", reason.word());
        }
    }

    #[test]
    fn a_calibration_with_doubtful_gas_says_so_to_whoever_signs() {
        let detail = json!({ "doubts": ["expired", "unsettled"] });
        let told = doubts_of(&told(2, "calibration_recorded", detail));
        assert!(
            told.starts_with(", DOUBTFUL: the certificate of the gas has expired; the readings"),
            "{told}"
        );
    }
}

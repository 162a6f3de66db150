//! `/metrics`: what is known, as OpenMetrics 1.0 text for a monitoring system.
//!
//! What is not known has no sample: a value that is not measured is absent, never 0 and never the
//! last one. The series are as many as the site file has signals, alarms, lines and devices, and no
//! more. The names are a contract: they are added to, never changed.

use std::fmt::Write;

use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;

use crate::alarm::Life;
use crate::serve::Face;
use crate::view::{
    Alarm, AlarmState, Counters, Device, Health, Line, LineState, Spread, Status, Value, Vocabulary, Word,
};

pub(super) const CONTENT_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// `/metrics`
pub async fn metrics(State(face): State<Face>) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, CONTENT_TYPE)], exposition(&face.status(), &face.health()))
}

/// The whole text.
fn exposition(status: &Status, health: &Health) -> String {
    let mut text = Text::default();
    text.site(status, health);
    text.signals(status);
    text.alarms(status);
    text.lines(status);
    text.devices(status);
    text.sensors(status);
    text.0 + "# EOF\n"
}

/// The text as it grows, family by family.
#[derive(Default)]
struct Text(String);

type Labels<'a> = &'a [(&'a str, &'a str)];

/// Which of a line's measurements.
type Measured = fn(&Line) -> Option<f64>;

/// Which of a device's counters.
type Counted = fn(&Counters) -> u64;

impl Text {
    fn site(&mut self, status: &Status, health: &Health) {
        self.family("siskin_healthy", "gauge", "", "1 while the daemon keeps its promises");
        self.sample("siskin_healthy", &[], flag(health.healthy));
        let help = "How long ago what is told here was true";
        self.family("siskin_snapshot_age_seconds", "gauge", "seconds", help);
        self.sample("siskin_snapshot_age_seconds", &[], status.age_s.0.as_secs_f64());
    }

    fn signals(&mut self, status: &Status) {
        let help = "The value in the signal's unit; absent while it is not measured";
        self.family("siskin_signal_value", "gauge", "", help);
        for signal in &status.signals {
            let unit = signal.unit.as_deref().unwrap_or_default();
            let value = signal.value.map(|value| match value {
                Value::Number(number) => number,
                Value::Flag(state) => flag(state),
            });
            self.known("siskin_signal_value", &[("signal", &signal.id), ("unit", unit)], value);
        }
        self.family("siskin_signal_quality", "stateset", "", "How far the value may be trusted");
        for signal in &status.signals {
            self.states("siskin_signal_quality", ("signal", &signal.id), signal.quality);
        }
        self.family("siskin_signal_age_seconds", "gauge", "seconds", "How long ago the signal was last read");
        for signal in &status.signals {
            let age = signal.age_s.map(|age| age.0.as_secs_f64());
            self.known("siskin_signal_age_seconds", &[("signal", &signal.id)], age);
        }
    }

    fn alarms(&mut self, status: &Status) {
        let help = "1 while the alarm's condition holds; absent while that cannot be known";
        self.family("siskin_alarm_active", "gauge", "", help);
        for alarm in &status.alarms {
            let labels = [("alarm", alarm.id.as_str()), ("priority", alarm.priority.as_word())];
            self.known("siskin_alarm_active", &labels, alarm.active.map(flag));
        }
        let help =
            "Where the alarm is, after IEC 62682; absent where it would be normal and cannot be judged";
        self.family("siskin_alarm_state", "stateset", "", help);
        // What is not measured is told as normal to nobody.
        let is_false_normal =
            |alarm: &&Alarm| alarm.active.is_none() && alarm.state.0 == AlarmState::Told(Life::Normal);
        for alarm in status.alarms.iter().filter(|alarm| !is_false_normal(alarm)) {
            self.states("siskin_alarm_state", ("alarm", &alarm.id), alarm.state);
        }
    }

    fn lines(&mut self, status: &Status) {
        self.family(
            "siskin_line_up",
            "gauge",
            "",
            "1 while the line's port is open; absent before its first report",
        );
        for line in &status.lines {
            let up = line.state.map(|state| flag(state == LineState::Up));
            self.known("siskin_line_up", &[("line", &line.id)], up);
        }
        let gauges: [(&str, &str, &str, Measured); 4] = [
            (
                "siskin_line_load_ratio",
                "ratio",
                "Share of the time that the wire was in use lately",
                |line| line.load,
            ),
            (
                "siskin_line_demand_ratio",
                "ratio",
                "What is asked of the line as a share of what it can carry; above 1 every period is stretched",
                |line| line.demand,
            ),
            ("siskin_line_noisy", "", "1 while damaged frames are too many to trust the CRC", |line| {
                line.noisy.map(flag)
            }),
            (
                "siskin_line_hints",
                "",
                "How many things a person could change about the line's port",
                |line| line.hints.as_ref().map(|hints| number(hints.len())),
            ),
        ];
        for (name, unit, help, measured) in gauges {
            self.family(name, "gauge", unit, help);
            for line in &status.lines {
                self.known(name, &[("line", &line.id)], measured(line));
            }
        }
        let help = "How late polls lately began after they were due";
        self.family("siskin_line_lateness_seconds", "summary", "seconds", help);
        for line in &status.lines {
            self.spread("siskin_line_lateness_seconds", &[("line", &line.id)], line.lateness);
        }
    }

    fn devices(&mut self, status: &Status) {
        self.family("siskin_device_state", "stateset", "", "Whether the device answers");
        for device in &status.devices {
            self.states("siskin_device_state", ("device", &device.id), device.state);
        }
        let help = "Response times lately: end of the question to first byte of the answer";
        self.family("siskin_device_response_seconds", "summary", "seconds", help);
        for device in &status.devices {
            let labels = [("device", device.id.as_str()), ("line", &device.line)];
            self.spread("siskin_device_response_seconds", &labels, device.response);
        }
        let counters: [(&str, &str, Counted); 8] = [
            ("siskin_device_requests", "Questions sent, retries included", |counters| counters.requests),
            ("siskin_device_answers", "Good answers", |counters| counters.answers),
            ("siskin_device_timeouts", "Questions without an answer in time", |counters| counters.timeouts),
            ("siskin_device_crc_errors", "Damaged frames", |counters| counters.crc_errors),
            ("siskin_device_exceptions", "Exception answers of the device itself", |counters| {
                counters.exceptions
            }),
            ("siskin_device_gateway_exceptions", "A gateway's exceptions for the device", |counters| {
                counters.gateway_exceptions
            }),
            ("siskin_device_late_responses", "Answers too late to be used", |counters| {
                counters.late_responses
            }),
            ("siskin_device_missed_polls", "Polls more than a period late", |counters| counters.missed_polls),
        ];
        for (name, help, counted) in counters {
            self.family(name, "counter", "", help);
            for device in &status.devices {
                self.count(name, device, counted);
            }
        }
    }

    /// The sensors that the site file tells of; a site without one has none of these families.
    fn sensors(&mut self, status: &Status) {
        let sensors = || status.devices.iter().filter_map(|device| Some((device, device.sensor.as_ref()?)));
        if sensors().next().is_none() {
            return;
        }
        self.family("siskin_sensor_wear", "stateset", "", "How far the device's sensor is worn");
        for (device, sensor) in sensors() {
            self.states("siskin_sensor_wear", ("device", &device.id), sensor.wear);
        }
        let help = "For how long the sensor has been in place; absent when none is on record";
        self.family("siskin_sensor_age_seconds", "gauge", "seconds", help);
        for (device, sensor) in sensors() {
            let age = sensor.fitted.as_ref().map(|fitted| fitted.age_s.0.as_secs_f64());
            self.known("siskin_sensor_age_seconds", &[("device", &device.id)], age);
        }
        let help = "What the sensor has seen in the signal's unit times hours, as far as it was measured";
        self.family("siskin_sensor_exposure", "gauge", "", help);
        for (device, sensor) in sensors() {
            if let Some(seen) = &sensor.exposure {
                let labels = [("device", device.id.as_str()), ("unit", &seen.unit)];
                self.sample("siskin_sensor_exposure", &labels, seen.amount);
            }
        }
    }

    /// Begins a family. A unit must also be the end of the name.
    fn family(&mut self, name: &str, kind: &str, unit: &str, help: &str) {
        self.line(format_args!("# TYPE {name} {kind}"));
        if !unit.is_empty() {
            self.line(format_args!("# UNIT {name} {unit}"));
        }
        self.line(format_args!("# HELP {name} {help}"));
    }

    fn sample(&mut self, name: &str, labels: Labels<'_>, value: f64) {
        let labels: Vec<String> =
            labels.iter().map(|(label, text)| format!("{label}=\"{}\"", escaped(text))).collect();
        let labels = if labels.is_empty() { String::new() } else { format!("{{{}}}", labels.join(",")) };
        self.line(format_args!("{name}{labels} {value}"));
    }

    /// A sample of what may not be known.
    fn known(&mut self, name: &str, labels: Labels<'_>, value: Option<f64>) {
        if let Some(value) = value {
            self.sample(name, labels, value);
        }
    }

    /// The quantiles of what was lately measured; a summary without sum and count may be told (OpenMetrics
    /// 1.0, Summary).
    fn spread(&mut self, name: &str, labels: Labels<'_>, spread: Option<Spread>) {
        let Some(Spread { min_ms: _, p50_ms, p90_ms, p99_ms }) = spread else { return };
        for (quantile, millis) in [("0.5", p50_ms), ("0.9", p90_ms), ("0.99", p99_ms)] {
            self.sample(name, &[labels, &[("quantile", quantile)]].concat(), millis / 1e3);
        }
    }

    /// One sample for each word of a list: 1 for the present one.
    fn states<T: Vocabulary>(&mut self, name: &str, of: (&str, &str), present: Word<T>) {
        for member in T::MEMBERS {
            let is = member.as_word() == present.as_word();
            self.sample(name, &[of, (name, member.as_word())], flag(is));
        }
    }

    fn count(&mut self, name: &str, device: &Device, counted: Counted) {
        let Some(counters) = &device.counters else { return };
        let (device, line) = (escaped(&device.id), escaped(&device.line));
        let count = counted(counters);
        self.line(format_args!("{name}_total{{device=\"{device}\",line=\"{line}\"}} {count}"));
    }

    fn line(&mut self, line: std::fmt::Arguments<'_>) {
        // Writing to a String cannot fail.
        let _ = writeln!(self.0, "{line}");
    }
}

fn flag(holds: bool) -> f64 {
    f64::from(u8::from(holds))
}

fn number(count: usize) -> f64 {
    f64::from(u32::try_from(count).unwrap_or(u32::MAX))
}

/// A label's text; the three characters that OpenMetrics wants escaped.
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::collections::BTreeSet;
    use std::time::Duration;

    use crate::alarm::Life;
    use crate::serve::rig::Rig;
    use crate::view::story::story;

    #[tokio::test]
    async fn an_alarm_that_cannot_be_judged_is_told_as_normal_to_nobody() {
        let rig = Rig::telling(story()).await;
        let told = text(&rig).await;
        let normals = |told: &str| told.lines().filter(|line| line.ends_with("=\"normal\"} 1")).count();
        let snapshot = story();
        let of_known = snapshot
            .alarms
            .iter()
            .filter(|alarm| alarm.withheld.is_none() && alarm.life == Life::Normal && alarm.active.is_some());
        assert_eq!(normals(&told), of_known.count());
        // Once nothing told is the present, none is normal; what calls goes on calling.
        rig.pass(Duration::from_secs(6));
        let told = text(&rig).await;
        assert_eq!(normals(&told), 0);
        assert!(told.contains("siskin_alarm_state=\"unacknowledged\"} 1"), "{told}");
    }

    async fn text(rig: &Rig) -> String {
        let answer = rig.get("/metrics").await;
        assert!(
            answer.head.contains("content-type: application/openmetrics-text; version=1.0.0; charset=utf-8")
        );
        answer.body
    }

    #[tokio::test]
    async fn the_exposition_is_that_of_its_golden_file() {
        let mut settings = insta::Settings::clone_current();
        settings.set_snapshot_path("golden");
        settings.set_prepend_module_to_snapshot(false);
        settings.set_omit_expression(true);
        let text = text(&Rig::telling(story()).await).await;
        settings.bind(|| insta::assert_snapshot!("metrics", text));
    }

    #[tokio::test]
    async fn each_family_stands_together_under_its_type_and_the_text_has_an_end() {
        let text = text(&Rig::telling(story()).await).await;
        assert!(text.ends_with("\n# EOF\n"));
        let (mut family, mut seen) = (String::new(), BTreeSet::new());
        for line in text.lines().filter(|line| *line != "# EOF") {
            if let Some(rest) = line.strip_prefix("# TYPE ") {
                family = rest.split(' ').next().unwrap().to_owned();
                assert!(seen.insert(family.clone()), "{family} stands twice");
            } else if let Some(unit) = line.strip_prefix(&format!("# UNIT {family} ")) {
                assert!(family.ends_with(&format!("_{unit}")), "{family} does not end in its unit");
            } else {
                let name = line.strip_prefix("# HELP ").unwrap_or(line);
                assert!(name.starts_with(&family), "{line} stands under {family}");
            }
        }
    }

    #[tokio::test]
    async fn what_is_not_measured_has_no_value() {
        let rig = Rig::telling(story()).await;
        assert!(!text(&rig).await.contains("siskin_signal_value{signal=\"btu-1.heating\""));
        rig.pass(Duration::from_secs(60));
        let stale = text(&rig).await;
        assert!(
            !stale.contains("siskin_signal_value{") && !stale.contains("siskin_alarm_active{"),
            "{stale}"
        );
        assert!(stale.contains("\nsiskin_healthy 0\n"));
    }

    #[tokio::test]
    async fn a_label_cannot_break_out_of_its_quotes() {
        let mut snapshot = story();
        snapshot.signals[0].id = "a\"} 1\nsiskin_healthy 7\\".to_owned();
        let text = text(&Rig::telling(snapshot).await).await;
        assert!(text.contains("signal=\"a\\\"} 1\\nsiskin_healthy 7\\\\\""));
        assert!(!text.contains("\nsiskin_healthy 7"));
    }
}

//! `?unit=`: values in another unit of the trade, against published figures.
//!
//! Sources: a gas tariff filed with the Federal Energy Regulatory Commission ("one grain (16 ppm) of hydrogen
//! sulfide per 100 cubic feet"); NIOSH, IDLH documentation for hydrogen sulfide, 1994 ("10 ppm (14 mg/m3)",
//! at 25 °C); exact foot, pound and grain of 1959. Figures with more digits were computed apart from siskin,
//! in Python, for ideal gas, as in `tests/published/units.rs`.

use serde_json::{Value, json};

use crate::monitor::Snapshot;
use crate::serve::rig::Rig;
use crate::signal::{Sample, Value as Measured};
use crate::units::{GasReference, Substance};
use crate::view::story::{at_ms, story};

/// The story with this much on its first signal.
fn measuring(number: f64, unit: &str, substance: Option<Substance>) -> Snapshot {
    let mut snapshot = story();
    let signal = &mut snapshot.signals[0];
    let value = Measured::Number(number);
    signal.sample = Sample::new(Some(value), [].into_iter().collect(), at_ms(245_010));
    signal.last_good = Some((value, at_ms(245_010)));
    signal.unit = Some(unit.to_owned());
    signal.circumstances.substance = substance;
    snapshot
}

async fn told(snapshot: Snapshot, unit: &str) -> Value {
    let answer =
        Rig::telling(snapshot).await.get(&format!("/api/v1/signals/h2s-1.concentration?unit={unit}")).await;
    assert_eq!(answer.status, 200, "{unit}: {}", answer.body);
    answer.json()
}

#[track_caller]
fn near(told: &Value, expected: f64, what: &str) {
    let told = told.as_f64().unwrap();
    assert!((told / expected - 1.0).abs() < 2e-4, "{what}: {told}, not {expected}");
}

#[tokio::test]
async fn values_are_told_in_the_unit_that_is_asked_for_as_published_figures_have_them() {
    let (h2s, water) = (Some(Substance::HydrogenSulfide), Some(Substance::Water));
    for (number, from, of, to, name, expected) in [
        (1.0, "gr/100scf", h2s, "ppmv", "ppmv", 15.8700), // "16 ppm" in the tariff
        (4.0, "ppmv", h2s, "gr/100scf", "gr/100scf", 0.25205),
        (4.0, "ppmv", h2s, "grains/100%20SCF", "gr/100scf", 0.25205),
        (16.0, "ppmv", h2s, "mg/m%C2%B3", "mg/m3", 23.0709),
        (10.0, "ppmv", h2s, "mg/Nm3", "mg/Nm3", 15.205),
        (7.0, "lb/MMscf", water, "ppmv", "ppmv", 147.111),
        (7.0, "lb/MMscf", None, "mg/m3", "mg/m3", 112.129),
        (500.0, "psig", None, "kPag", "kPag", 3447.379),
        (60.0, "degF", None, "degC", "degC", 15.5556),
        (2.0, "mol%25", None, "ppmv", "ppmv", 20_000.0),
    ] {
        let from = from.replace("%25", "%");
        let answer = told(measuring(number, &from, of), to).await;
        near(&answer["value"], expected, to);
        near(&answer["last_good"]["value"], expected, to);
        assert_eq!((&answer["unit"], &answer["conversion"]["from"]), (&json!(name), &json!(from)));
    }
}

#[tokio::test]
async fn the_answer_states_what_the_way_depends_on_and_follows_the_site_file() {
    let mut snapshot = measuring(10.0, "ppmv", Some(Substance::HydrogenSulfide));
    let answer = told(snapshot.clone(), "mg/m3").await;
    near(&answer["value"], 14.4193, "at 60 °F and 14.73 psia");
    assert_eq!(
        answer["conversion"]["gas_reference"],
        json!({"temperature_k": 288.705556, "temperature_degf": 60.0, "pressure_kpa": 101.559775,
               "pressure_psia": 14.73})
    );
    assert_eq!(answer["conversion"]["substance"], "hydrogen sulfide");
    assert_eq!(answer["conversion"]["ambient_pressure_kpa"], Value::Null);
    let factor = answer["conversion"]["factor"].as_f64().unwrap();
    assert!((answer["value"].as_f64().unwrap() / factor - 10.0).abs() < 1e-9, "the way back");

    // NIOSH: 14 mg/m3, at 25 °C and 101.325 kPa.
    let reference = GasReference { temperature_k: 298.15, pressure_pa: 101_325.0 };
    snapshot.signals[0].circumstances.reference = reference;
    let answer = told(snapshot, "mg/m3").await;
    near(&answer["value"], 13.930, "at 25 °C");
    assert_eq!(answer["conversion"]["gas_reference"]["temperature_k"], 298.15);
}

#[tokio::test]
async fn what_is_not_measured_has_no_value_in_any_unit() {
    let mut snapshot = story();
    snapshot.signals[4].unit = Some("ppmv".to_owned());
    let rig = Rig::telling(snapshot).await;
    let answer = rig.get("/api/v1/signals/btu-1.heating?unit=ppbv").await.json();
    assert_eq!((&answer["value"], &answer["unit"]), (&Value::Null, &json!("ppbv")));
    near(&answer["last_good"]["value"], 1_034_720.0, "the past is converted too");
}

#[tokio::test]
async fn a_history_is_converted_piece_by_piece() {
    let rig = Rig::telling(story()).await;
    let path = "/api/v1/signals/h2s-1.concentration/history?points=3";
    let own = rig.get(path).await.json();
    let ppb = rig.get(&format!("{path}&unit=ppbv")).await.json();
    assert_eq!((&own["unit"], &own["conversion"]), (&json!("ppmv"), &Value::Null));
    assert_eq!((&ppb["unit"], &ppb["conversion"]["factor"]), (&json!("ppbv"), &json!(1000.0)));
    for piece in 0..3 {
        let [own, ppb] = [&own, &ppb].map(|told| &told["buckets"][piece]);
        for figure in ["min", "mean", "max"] {
            let expected = own[figure].as_f64().map(|number| number * 1000.0);
            assert_eq!(ppb[figure].as_f64(), expected, "{piece} {figure}");
        }
        assert_eq!((&own["from"], &own["coverage"]), (&ppb["from"], &ppb["coverage"]));
    }
}

#[tokio::test]
async fn a_unit_that_is_not_known_or_not_reached_is_refused_with_those_that_are() {
    let rig = Rig::telling(story()).await;
    for (signal, asked, nearest, words) in [
        ("h2s-1.concentration", "ppvm", json!("ppmv"), "there is no unit \"ppvm\"; did you mean \"ppmv\"?"),
        ("h2s-1.concentration", "gr/10scf", json!("gr/100scf"), "there is no unit"),
        ("h2s-1.concentration", "psig", Value::Null, "there is no way from there to psig (gauge pressure)"),
        ("h2o-1.content", "ppmv", Value::Null, "it takes the substance"),
        ("h2s-1.calibrating", "ppmv", Value::Null, "has no unit"),
        ("btu-1.heating", "ppmv", Value::Null, "is a unit of the site file's own"),
        ("h2s-1.flow", "", Value::Null, "there is no unit"),
    ] {
        for path in [format!("/api/v1/signals/{signal}"), format!("/api/v1/signals/{signal}/history")] {
            let refused = rig.get(&format!("{path}?unit={asked}")).await;
            assert_eq!(refused.status, 400, "{signal} {asked}: {}", refused.body);
            let problem = refused.json();
            assert!(problem["detail"].as_str().unwrap().contains(words), "{problem}");
            assert_eq!(problem["nearest"], nearest, "{problem}");
        }
    }
    let refused = rig.get("/api/v1/signals/h2s-1.flow?unit=SCFH").await.json();
    assert_eq!(refused["possible"], json!(["L/min", "L/h", "mL/min", "ft3/h"]));
}

#[tokio::test]
async fn a_signals_own_unit_is_always_one_it_can_be_told_in() {
    let rig = Rig::telling(story()).await;
    let own = rig.get("/api/v1/signals/btu-1.heating?unit=Btu/scf").await;
    assert_eq!(own.status, 200, "{}", own.body);
    assert_eq!(own.json()["conversion"]["factor"], 1.0);
}

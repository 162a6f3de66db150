//! How well the alarms served their operator over the last days.
//!
//! A piece of the past: it does not renew itself, because each look reads the journal from its
//! beginning.

use askama::Template;
use axum::extract::State;
use axum::response::Response;

use crate::alarm::performance::goal;
use crate::serve::Face;
use crate::serve::page::{Frame, rendered};
use crate::serve::performance::{DAYS_USUAL, between_last_days};
use crate::serve::problem::Problem;
use crate::view::words::{Figure, date_and_time, duration, figures, for_how_long, percent};
use crate::view::{Instant, Performance};

#[derive(Template)]
#[template(path = "performance.html", config = "src/serve/page/askama.toml")]
struct Page {
    frame: Frame,
    days: u64,
    from: String,
    to: String,
    watched: String,
    figures: Vec<Figure>,
    /// Lists that have something to tell.
    lists: Vec<List>,
}

/// Alarms or priorities, each with what is told of it.
struct List {
    title: String,
    rows: Vec<(String, String)>,
}

/// `/performance`
pub async fn page(State(face): State<Face>) -> Result<Response, Problem> {
    let (from, to) = between_last_days(face.handle.now().wall)?;
    let told = face.performance(from, to).await?;
    let zone = &face.settings.time_zone;
    let lists =
        [frequent(&told), chattering(&told), stale(&told, |at| date_and_time(at, zone)), priorities(&told)];
    rendered(&Page {
        frame: Frame::new(&face, "Alarm performance", false),
        days: DAYS_USUAL,
        from: date_and_time(told.from, zone),
        to: date_and_time(told.to, zone),
        watched: duration(told.watched_s.0),
        figures: figures(&told),
        lists: lists.into_iter().filter(|list| !list.rows.is_empty()).collect(),
    })
}

fn frequent(told: &Performance) -> List {
    List {
        title: format!("Most frequent, together {} of all calls", percent(told.most_frequent_share)),
        rows: told.most_frequent.iter().map(|of| (of.alarm.clone(), calls(of.calls, of.share))).collect(),
    }
}

fn chattering(told: &Performance) -> List {
    let row = |most: usize| format!("{most} calls within one minute");
    List {
        title: "Chattering".to_owned(),
        rows: told.chattering.iter().map(|of| (of.alarm.clone(), row(of.most_in_a_minute))).collect(),
    }
}

fn stale(told: &Performance, clock: impl Fn(Instant) -> String) -> List {
    let row = |since| {
        let long = for_how_long(since, told.to).unwrap_or_default();
        format!("for {long}, since {}", clock(since))
    };
    List {
        title: "Stale: active at the end".to_owned(),
        rows: told.stale.iter().map(|of| (of.alarm.clone(), row(of.since))).collect(),
    }
}

fn priorities(told: &Performance) -> List {
    let [high, medium, low] = goal::PRIORITY_SHARES.map(|share| percent(Some(share)));
    List {
        title: format!(
            "By priority; goal about {low} low, {medium} medium, {high} above (ISA-18.2, from memory)"
        ),
        rows: told
            .by_priority
            .iter()
            .map(|of| (of.priority.to_string(), calls(of.calls, of.share)))
            .collect(),
    }
}

fn calls(calls: usize, share: Option<f64>) -> String {
    let what = if calls == 1 { "call" } else { "calls" };
    format!("{calls} {what}, {}", percent(share))
}

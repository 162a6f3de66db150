//! The pages, as a browser gets them.

use std::time::Duration;

use crate::alarm::{Kind, Life, Limit};
use crate::daemon::Health;
use crate::history::JournalEntry;
use crate::monitor::{AlarmStatus, DeviceStatus, FunctionCheck, SignalStatus, Snapshot, Who};
use crate::serve::rig::{Answer, Rig};
use crate::signal::{Reason, Sample, Scale, SignalIndex};
use crate::view::story::{quiet_story, story};

/// The most bytes of a page of a usual site: it must come over a poor radio link.
const PAGE_BYTES_MAX: usize = 60 * 1024;

const PAGES: [&str; 7] = [
    "/",
    "/signals/h2s-1.concentration",
    "/signals/btu-1.heating",
    "/alarms/h2s-high",
    "/journal",
    "/journal?after=2",
    "/performance",
];

async fn page(rig: &Rig, path: &str) -> String {
    let answer = rig.get(path).await;
    assert_eq!(answer.status, 200, "{path}: {}", answer.body);
    answer.body
}

#[tokio::test]
async fn the_page_answers_what_an_operator_asks_first_without_any_script() {
    let body = page(&Rig::telling(story()).await, "/").await;
    let order = [
        "Not a safety system:",
        "As of <time>2026-03-02 09:04:05 CST</time>",
        "Outside limits",
        "H2S above contract limit: H2S 4.312 ppmv now.",
        "Can this be believed?",
        "Since 09:01:00, for 3 min 5 s.",
        "What needs somebody now",
        "Confirm with a stain tube, then call gas control.",
        "Measurements",
        "Lines",
        "Last events",
    ];
    let mut rest = body.as_str();
    for words in order {
        let at = rest.find(words).unwrap_or_else(|| panic!("{words:?} is missing or stands too early"));
        rest = &rest[at..];
    }
}

#[tokio::test]
async fn the_page_of_a_quiet_day_says_that_nothing_is_wanted_of_anybody() {
    let body = page(&Rig::telling(quiet_story()).await, "/").await;
    for words in [
        "Within limits",
        "Yes: every limit (1) is judged on good measurements.",
        "no alarm waits for anybody",
    ] {
        assert!(body.contains(words), "{words}");
    }
}

#[tokio::test]
async fn limits_are_not_plainly_believed_while_two_measurements_of_the_gas_disagree() {
    let mut snapshot = quiet_story();
    let kind = Kind::Deviation {
        limit: Limit { setpoint: 1.0, deadband: 0.1 },
        other: snapshot.alarms[0].signal.unwrap(),
        conversion: Scale { from: [0.0, 1.0], to: [0.0, 1.0] },
    };
    let name = "H2S by loop and by register differ".to_owned();
    let differ = AlarmStatus {
        id: "h2s-differ".to_owned(),
        kind,
        name,
        limits_gas: false,
        active: Some(true),
        ..snapshot.alarms[0].clone()
    };
    snapshot.alarms.push(differ);
    let body = page(&Rig::telling(snapshot).await, "/").await;
    let told = "With care: every limit (1) is judged. “H2S by loop and by register differ”: one of the two \
                measurements is wrong.";
    assert!(body.contains(told) && body.contains("Within limits"));
}

#[tokio::test]
async fn nobody_is_told_to_act_on_an_alarm_whose_condition_is_gone() {
    let mut snapshot = story();
    let h2s = &mut snapshot.alarms[0];
    (h2s.life, h2s.active, h2s.cleared) = (Life::LatchedUnacknowledged, Some(false), Some(snapshot.at.wall));
    let body = page(&Rig::telling(snapshot).await, "/").await;
    assert!(body.contains("gone again, to be acknowledged and reset"));
    assert!(!body.contains("Confirm with a stain tube"));
}

#[tokio::test]
async fn an_alarm_that_is_pending_does_not_bear_the_shape_of_a_normal_one() {
    let mut snapshot = quiet_story();
    snapshot.alarms[0].pending = true;
    let body = page(&Rig::telling(snapshot).await, "/").await;
    let (_, alarms) = body.split_once("id=\"alarms\"").unwrap();
    assert!(
        alarms.contains("<svg class=\"shape pending\"") && body.contains("Beyond a limit, alarm pending")
    );
}

/// Its state told that the condition holds again, and the sentence below that it is gone.
#[tokio::test]
async fn an_alarm_whose_condition_is_back_before_its_on_delay_calls_for_its_action_again() {
    let mut snapshot = quiet_story();
    (snapshot.alarms[0].life, snapshot.alarms[0].active) = (Life::LatchedUnacknowledged, Some(false));
    let gone = "Its condition is gone";
    assert!(page(&Rig::telling(snapshot.clone()).await, "/").await.contains(gone));
    snapshot.alarms[0].pending = true;
    let body = page(&Rig::telling(snapshot).await, "/").await;
    let (_, needs) = body.split_once("id=\"needs\"").unwrap();
    let (needs, _) = needs.split_once("id=\"signals\"").unwrap();
    assert!(needs.contains("its condition holds, not yet for its on-delay"), "{needs}");
    assert!(!needs.contains(gone) && needs.contains("class=\"action\""), "{needs}");
}

#[tokio::test]
async fn an_alarm_that_is_withheld_calls_nobody_but_is_counted_and_listed() {
    let body = page(&Rig::telling(story()).await, "/").await;
    let (needs, rest) = body.split_once("Measurements").unwrap();
    assert!(needs.contains("1 withheld") && !needs.contains("Sample flow low"));
    assert!(rest.contains("Sample flow low") && rest.contains("shelved until 10:00:00"));
}

#[tokio::test]
async fn the_lines_tell_how_late_polls_begin_what_is_too_much_and_what_a_person_could_change() {
    let mut snapshot = story();
    let east = snapshot.lines[0].report.as_mut().unwrap();
    east.demand = 1.25;
    east.counters.gateway_exceptions = 7;
    let body = page(&Rig::telling(snapshot).await, "/").await;
    for words in [
        "up, but overloaded",
        "125 % of what it can carry is asked of it",
        "99 of 100 polls at most 64 ms late",
        "7 not passed on by the gateway",
        "the port waits 16 ms before it hands on what has come.",
        "answers usually after 18 ms",
    ] {
        assert!(body.contains(words), "{words}");
    }
    let body = page(&Rig::telling(story()).await, "/").await;
    assert!(!body.contains("overloaded") && !body.contains("asked of it"));
}

#[tokio::test]
async fn a_value_to_be_used_with_care_is_never_told_of_an_alarm_without_its_quality() {
    let mut snapshot = story();
    let concentration =
        snapshot.signals.iter_mut().find(|signal| signal.id == "h2s-1.concentration").unwrap();
    let (value, at) = (concentration.sample.measured(), concentration.sample.at);
    concentration.sample = Sample::new(value, [Reason::Settling].into_iter().collect(), at);
    let rig = Rig::telling(snapshot).await;
    let body = page(&rig, "/").await;
    let needs = body.split("Measurements").next().unwrap();
    assert!(needs.contains("<b>4.312 ppmv (use with care)</b>"), "{needs}");
    assert!(page(&rig, "/alarms/h2s-high").await.contains("</a>: 4.312 ppmv (use with care)</dd>"));
    // Where it is good, nothing is added.
    assert!(!page(&Rig::telling(story()).await, "/alarms/h2s-high").await.contains("use with care)"));
}

/// The texts of the cells of class `value`.
fn values(body: &str) -> Vec<&str> {
    let cells = body.split("<td class=\"value\">").skip(1);
    cells.map(|cell| cell.split("</td>").next().unwrap()).collect()
}

#[tokio::test]
async fn what_is_not_measured_is_told_with_its_reason_and_never_with_a_past_value_in_its_place() {
    let body = page(&Rig::telling(story()).await, "/").await;
    assert_eq!(
        values(&body),
        ["4.312 ppmv", "1.840 L/min", "measuring", "6.900 lb/MMscf", "not measured", "not measured"]
    );
    assert!(body.contains("the device does not answer, since 09:01:06"));
    assert!(body.contains("last good: 1034.7 Btu/scf, 3 min 2 s ago (09:01:03)"));
}

#[tokio::test]
async fn an_old_snapshot_is_shouted_and_shows_no_value() {
    let rig = Rig::telling(story()).await;
    rig.pass(Duration::from_secs(75));
    let body = page(&rig, "/").await;
    assert!(body.contains("what is known is 1 min 15 s old: nothing here is the present."));
    assert!(body.contains("Not known") && !body.contains("Outside limits"));
    assert!(values(&body).iter().all(|value| *value == "not measured"), "{:?}", values(&body));
}

#[tokio::test]
async fn a_promise_that_is_not_kept_stands_on_every_live_page() {
    let rig = Rig::telling(story()).await;
    rig.health.send_replace(Health::failing("disk full"));
    for path in PAGES {
        assert!(page(&rig, path).await.contains("the record cannot be written: disk full"), "{path}");
    }
}

#[tokio::test]
async fn a_journal_that_cannot_be_read_hides_nothing_of_the_present() {
    let rig = Rig::with_journal(story(), Err("journal.db: disk I/O error".to_owned())).await;
    let body = page(&rig, "/").await;
    assert!(body.contains("the journal cannot be read: journal.db: disk I/O error"));
    assert!(body.contains("4.312 ppmv"));
}

#[tokio::test]
async fn a_device_in_function_check_says_so_and_who_works_on_it() {
    let mut snapshot = story();
    let by = Who { user: "kim".to_owned(), name: Some("Kim <Example>".to_owned()) };
    let (since, until) = (snapshot.at.wall, snapshot.at);
    let purpose = "calibration".to_owned();
    snapshot.devices[0].function_check = Some(FunctionCheck { by, since, until, purpose });
    snapshot.devices[1].function_check_overrun = true;
    let body = page(&Rig::telling(snapshot).await, "/").await;
    assert!(body.contains("in function check until "), "{body}");
    assert!(!body.contains("Kim <Example>") && body.contains("Example"), "{body}");
    assert!(body.contains("a function check ran out, and nobody has ended it"), "{body}");
    assert!(!page(&Rig::telling(story()).await, "/").await.contains("in function check until"));
}

#[tokio::test]
async fn markup_in_names_is_shown_as_text() {
    let evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>";
    let mut snapshot = story();
    snapshot.site_name = evil.to_owned();
    for device in &mut snapshot.devices {
        device.name = evil.to_owned();
    }
    for signal in &mut snapshot.signals {
        (signal.name, signal.tag) = (Some(evil.to_owned()), Some(evil.to_owned()));
        (signal.unit, signal.state) = (Some(evil.to_owned()), Some(evil.to_owned()));
    }
    for alarm in &mut snapshot.alarms {
        alarm.name = evil.to_owned();
        (alarm.action, alarm.consequence, alarm.cause) =
            (Some(evil.to_owned()), Some(evil.to_owned()), Some(evil.to_owned()));
    }
    snapshot.signals[0].id = format!("h2s-1.{evil}");
    snapshot.lines[0].id = evil.to_owned();
    snapshot.devices[0].function_check = Some(FunctionCheck {
        by: Who { user: evil.to_owned(), name: Some(evil.to_owned()) },
        since: snapshot.at.wall,
        until: snapshot.at,
        purpose: evil.to_owned(),
    });
    let detail = serde_json::json!({ "remark": evil, "reasons": [evil], "cause": evil });
    let entry = |kind: &str, subject: &str| JournalEntry {
        seq: 1,
        time: snapshot.at.wall,
        mono_ms: 0,
        kind: kind.to_owned(),
        subject: subject.to_owned(),
        user: Some(evil.to_owned()),
        name: Some(evil.to_owned()),
        detail: detail.as_object().unwrap().clone(),
        hash: String::new(),
    };
    let entries = [entry("alarm_raised", evil), entry(evil, "h2s-high"), entry("note", "h2s-1")];
    let rig = Rig::with_journal(snapshot, Ok(entries.into())).await;
    rig.health.send_replace(Health::failing(evil));
    for path in PAGES.into_iter().filter(|path| *path != "/signals/h2s-1.concentration") {
        let body = page(&rig, path).await;
        assert!(body.contains("alert(1)"), "{path}: the name itself must be there");
        for markup in ["<script>", "<img", "\"'>"] {
            assert!(!body.contains(markup), "{path} lets {markup} through");
        }
    }
}

#[tokio::test]
async fn every_page_is_small_and_loads_nothing_from_elsewhere_and_nothing_inline() {
    let rig = Rig::telling(story()).await;
    for path in PAGES {
        let body = page(&rig, path).await;
        assert!(body.len() < PAGE_BYTES_MAX, "{path}: {} bytes", body.len());
        for loaded in body.split(" href=\"").chain(body.split(" src=\"")).skip(1) {
            assert!(!loaded.starts_with("http") && !loaded.starts_with("//"), "{path}: {}", &loaded[..20]);
        }
        for inline in [" style=", "<style", "<script>", " onclick=", "javascript:"] {
            assert!(!body.contains(inline), "{path}: {inline}");
        }
    }
    for (path, kind) in
        [("/style.css", "text/css"), ("/live.js", "text/javascript"), ("/icon.svg", "image/svg+xml")]
    {
        let answer = rig.get(path).await;
        assert_eq!(answer.status, 200);
        assert!(answer.head.contains(&format!("content-type: {kind}")), "{path}");
    }
}

/// A site of 48 signals on twelve devices, each with an alarm, of which three call.
fn usual_site() -> Snapshot {
    let mut snapshot = story();
    let (device, signal, alarm) =
        (snapshot.devices[0].clone(), snapshot.signals[0].clone(), snapshot.alarms[1].clone());
    let raised = snapshot.alarms[0].clone();
    (snapshot.devices, snapshot.signals, snapshot.alarms) = (Vec::new(), Vec::new(), Vec::new());
    for number in 1..=12 {
        let id = format!("analyzer-{number}");
        snapshot.devices.push(DeviceStatus { id: id.clone(), ..device.clone() });
        for measured in ["concentration", "flow", "pressure", "loop"] {
            snapshot.signals.push(SignalStatus { id: format!("{id}.{measured}"), ..signal.clone() });
        }
        let alarm = if number > 3 { &alarm } else { &raised };
        let watched = SignalIndex(snapshot.signals.len() - 1);
        snapshot.alarms.push(AlarmStatus {
            id: format!("{id}-high"),
            signal: Some(watched),
            ..alarm.clone()
        });
    }
    snapshot
}

#[tokio::test]
async fn the_first_page_of_48_signals_comes_with_all_it_loads_within_60_kb() {
    let rig = Rig::telling(usual_site()).await;
    let mut bytes = 0;
    for path in ["/", "/style.css", "/live.js", "/icon.svg"] {
        bytes += page(&rig, path).await.len();
    }
    assert!(bytes < PAGE_BYTES_MAX, "{bytes} bytes");
}

#[tokio::test]
async fn what_a_page_loads_is_kept_for_ever_under_a_name_that_changes_with_it_and_under_no_other() {
    let rig = Rig::telling(story()).await;
    let body = page(&rig, "/").await;
    for path in ["/style.css", "/live.js", "/icon.svg"] {
        let (_, rest) = body.split_once(&format!("\"{path}?v=")).unwrap_or_else(|| panic!("{path}"));
        let version = rest.split('"').next().unwrap();
        let named = rig.get(&format!("{path}?v={version}")).await;
        assert!(named.head.contains("cache-control: public, max-age=31536000, immutable"), "{path}");
        for query in ["", "?v=", "?v=0000000000000000", &format!("?w={version}")] {
            let head = rig.get(&format!("{path}{query}")).await.head;
            assert!(head.contains("cache-control: no-cache"), "{path}{query}: {head}");
            assert!(!head.contains("immutable"), "{path}{query}: {head}");
        }
    }
}

#[tokio::test]
async fn a_live_page_renews_itself_without_a_script_and_a_page_of_the_past_stays() {
    let rig = Rig::telling(story()).await;
    let renewal = "<noscript><meta http-equiv=\"refresh\" content=\"5\"></noscript>";
    for (path, live) in [
        ("/", true),
        ("/journal", true),
        ("/alarms/h2s-high", true),
        ("/journal?after=2", false),
        ("/performance", false),
    ] {
        let body = page(&rig, path).await;
        assert_eq!(body.contains(renewal), live, "{path}");
        assert_eq!(body.contains("/live.js"), live, "{path}");
    }
}

#[tokio::test]
async fn every_link_of_the_page_leads_somewhere() {
    let rig = Rig::telling(story()).await;
    let body = page(&rig, "/").await;
    for link in body.split("<a ").skip(1).map(|tag| tag.split("href=\"").nth(1).unwrap()) {
        page(&rig, link.split('"').next().unwrap()).await;
    }
}

/// The row of the table that begins with `what`.
fn row_of<'a>(body: &'a str, what: &str) -> &'a str {
    let (_, rest) = body.split_once(&format!("<th scope=\"row\">{what}</th>")).unwrap();
    rest.split("</tr>").next().unwrap()
}

#[tokio::test]
async fn the_alarms_performance_stands_beside_its_goals_and_their_sources() {
    let rig = Rig::telling(story()).await;
    let body = page(&rig, "/performance").await;
    assert!(body.contains("2026-02-23 09:04:05 CST to 2026-03-02 09:04:05 CST, watched for 4 min 5 s"));
    let hourly = row_of(&body, "calls an hour");
    for words in ["29.4", "goal missed", "at most 6", "ISA-18.2, from memory"] {
        assert!(hourly.contains(words), "{words}: {hourly}");
    }
    let most = row_of(&body, "most calls in any ten minutes");
    assert!(most.contains("at most 10") && !most.contains("missed") && !most.contains("from memory"));
    assert!(row_of(&body, "btu-1.heating.lost").contains("1 call, 50 %"));
    assert!(!body.contains("Chattering"), "what has nothing to tell is not there");
}

#[tokio::test]
async fn an_unknown_signal_has_no_page() {
    let answer = Rig::telling(story()).await.get("/signals/h2s-1.flwo").await;
    assert_eq!(answer.status, 404);
    assert_eq!(answer.json()["nearest"], "h2s-1.flow");
}

#[tokio::test]
async fn a_browser_is_told_in_a_page_that_there_is_no_such_page() {
    let rig = Rig::telling(story()).await;
    let browse = async |path: &str, accept: &str| {
        let head = format!("Host: localhost\r\nAccept: {accept}\r\nConnection: close\r\n\r\n");
        Answer::parse(&rig.exchange(&format!("GET {path} HTTP/1.1\r\n{head}")).await)
    };
    let accept = "text/html,application/xhtml+xml,*/*;q=0.8";
    let answer = browse("/signals/h2s-1.flwo", accept).await;
    assert_eq!(answer.status, 404);
    assert!(answer.head.contains("content-type: text/html"), "{}", answer.head);
    for words in [
        "Not Found",
        "there is no signal",
        "href=\"/signals/h2s-1.flow\"",
        "href=\"/\"",
        "Not a safety system",
    ] {
        assert!(answer.body.contains(words), "{words}: {}", answer.body);
    }
    let odd = browse("/%3Cscript%3E", accept).await;
    assert!(
        odd.status == 404
            && odd.body.contains("there is no such page here")
            && !odd.body.contains("<script>")
    );
    assert_eq!(browse("/signals/h2s-1.concentration?span=8d", accept).await.status, 400);
    for (path, accept) in [("/api/v1/signals/h2s-1.flwo", accept), ("/signals/h2s-1.flwo", "*/*")] {
        assert_eq!(browse(path, accept).await.json()["nearest"], "h2s-1.flow", "{path}");
    }
}

#[tokio::test]
async fn the_page_of_a_signal_draws_what_it_has_been_with_limits_gaps_and_words() {
    let rig = Rig::telling(story()).await;
    let body = page(&rig, "/signals/h2s-1.concentration?span=7d").await;
    assert!(body.contains("<svg class=\"trend\"") && body.contains("The last 7 days"), "{body}");
    assert!(body.contains("class=\"limit\"") && body.contains("h2s-high 4</text>"), "{body}");
    assert_eq!(body.matches("class=\"gap\"").count(), 96, "every third of 288 pieces");
    assert!(body.contains("least -0.5000 ppmv"), "{body}");
    assert!(body.contains("href=\"?span=24h\""), "{body}");
    assert!(body.len() < 60_000, "{}", body.len());
    assert_eq!(rig.get("/signals/h2s-1.concentration?span=8d").await.status, 400);
}

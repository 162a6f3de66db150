//! A month's report: hourly figures of 48 signals, exact times above limits, and the whole of it. And a
//! year's trend of one signal among 48.
//!
//! Three records are filled first, time running fast: 48 signals every ten seconds, which makes as many
//! hours as any other pace, four signals every second, where each hour that a limit runs through has
//! 3,600 samples to look into, and 48 signals every ten minutes for a year. All is asked warm, the files being
//! in the page cache, but for the one question that says so: for that, `dd` has it forget the file.

#![allow(clippy::unwrap_used, clippy::as_conversions, clippy::print_stdout)]

mod figure;

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use figure::say;
use siskin::config::{self, Site, Sources};
use siskin::history::{HISTORY_FILE, SampleReader, open};
use siskin::moment::{Clock, Moment, Mono, Wall};
use siskin::monitor::{Event, EventKind};
use siskin::report::{Asked, Report, html};
use siskin::signal::{Reasons, Sample, SignalIndex, Value};
use siskin::simulate::Random;

const DAY_S: u64 = 86_400;
const DEVICE_SIGNALS: usize = 4;

fn main() {
    let given: Option<u64> = std::env::args().skip(1).find_map(|arg| arg.parse().ok());
    let days = given.unwrap_or(31);
    let month = fill(48, 10, days);
    let (dir, site) = (month.dir.path(), &month.site);
    let hours: Vec<Wall> =
        (0..=days * 24).map(|hour| month.from + Duration::from_secs(hour * 3_600)).collect();
    say("hourly figures of 48 signals", || {
        let reader = SampleReader::kept_open(dir);
        site.signals.iter().map(|signal| reader.figures(&signal.id, &hours).unwrap().len()).sum()
    });
    let asked = Asked::Between(month.from, month.to());
    let report = || Report::make(asked, &[], site, dir, month.to()).unwrap();
    say("the whole report of 48 signals", || report().signals.len());
    let made = report();
    say("its JSON, bytes", || serde_json::to_string(&made).unwrap().len());
    say("its page, bytes", || html(&made, false).unwrap().len());

    let fast = fill(4, 1, days);
    let reader = SampleReader::new(fast.dir.path());
    let signal = &fast.site.signals[0].id;
    for limit in [0.0, 3.0, 4.0, 4.9, 100.0] {
        say(&format!("time above {limit}, once a second, s"), || {
            usize::try_from(reader.time_above(signal, fast.from, fast.to(), limit).unwrap().as_secs())
                .unwrap()
        });
    }

    let year = fill(48, 600, 365.min(12 * days));
    let reader = SampleReader::kept_open(year.dir.path());
    let signal = &year.site.signals[7].id;
    let trend = || reader.buckets(signal, year.from, year.to(), 500).unwrap().len();
    say("a year of one signal in 500 buckets", trend);
    say("the same, cold", || {
        forget(&year.dir.path().join(HISTORY_FILE));
        let reader = SampleReader::new(year.dir.path());
        let began = Instant::now();
        let buckets = reader.buckets(signal, year.from, year.to(), 500).unwrap().len();
        println!("   {buckets} buckets in {:.1} ms", began.elapsed().as_secs_f64() * 1e3);
        buckets
    });
}

/// Has the page cache drop what it holds of a file.
fn forget(file: &Path) {
    let from = format!("if={}", file.display());
    let done = Command::new("dd").args([&from, "iflag=nocache", "count=0", "status=none"]).status().unwrap();
    assert!(done.success(), "dd: {done}");
}

struct Filled {
    dir: tempfile::TempDir,
    site: Site,
    from: Wall,
    lasting: Duration,
}

impl Filled {
    fn to(&self) -> Wall {
        self.from + self.lasting
    }
}

/// A record of so many signals, each read once in so many seconds.
fn fill(signals: usize, every_s: u64, days: u64) -> Filled {
    let dir = tempfile::tempdir().unwrap();
    let site = site(signals, every_s);
    // Gas days begin at 09:00 in UTC here.
    let from: Wall = "2026-03-01T09:00:00Z".parse().unwrap();
    let ms = Arc::new(AtomicU64::new(0));
    let clock_ms = Arc::clone(&ms);
    let at = move |ms: u64| Moment { mono: Mono::from_millis(ms), wall: from + Duration::from_millis(ms) };
    let clock: Clock = Arc::new(move || at(clock_ms.load(Ordering::Relaxed)));
    let record = open(dir.path(), &site, clock).unwrap();
    let began = Instant::now();
    let started = Event {
        at: at(0),
        kind: EventKind::Started,
        subject: "bench".to_owned(),
        who: None,
        detail: [].into(),
    };
    drop(record.recorder.events(vec![started]));
    let (mut random, mut samples) = (Random::new(7), 0);
    // Each hour is summed up when it is over, and a write does that for one: so much may wait for the disk.
    let of_an_hour = signals * usize::try_from(3_600 / every_s).unwrap();
    for second in (0..days * DAY_S).step_by(usize::try_from(every_s).unwrap()) {
        let poll_ms = 1_000 * second + random.bits() % 400;
        ms.store(poll_ms, Ordering::Relaxed);
        let slow = (second as f64 / 20_000.0).sin();
        let all = (0..signals).map(|signal| {
            let noise = (random.bits() % 1_000) as f64 / 1_000.0 - 0.5;
            let tenths = ((3.5 + slow + noise) * 10.0).round() / 10.0;
            (SignalIndex(signal), Sample::new(Some(Value::Number(tenths)), Reasons::NONE, at(poll_ms)))
        });
        record.recorder.samples(all.collect());
        samples += signals;
        while record.recorder.status().samples_queued > of_an_hour {
            std::thread::sleep(Duration::from_micros(200));
        }
    }
    record.recorder.close();
    println!(
        "-- {samples} samples of {signals} signals in {days} days, filled in {:.0} s",
        began.elapsed().as_secs_f64()
    );
    Filled { dir, site, from, lasting: Duration::from_secs(days * DAY_S) }
}

struct Text(String);

impl Sources for Text {
    fn read(&self, _path: &Path) -> std::io::Result<String> {
        Ok(self.0.clone())
    }
}

fn site(signals: usize, every_s: u64) -> Site {
    let mut text = "[site]\nid = \"bench\"\ngas_day_start = \"09:00\"\ntime_zone = \"UTC\"\n\n[history]\n\
                    keep_samples = \"10y\"\nmax_size = \"60GiB\"\n\n\
                    [[line]]\nid = \"line\"\ntcp = \"192.0.2.10:502\"\nframing = \"tcp\"\n"
        .to_owned();
    for signal in 0..signals {
        if signal % DEVICE_SIGNALS == 0 {
            let device = signal / DEVICE_SIGNALS;
            let _ = write!(
                text,
                "\n[[device]]\nid = \"device-{device}\"\nline = \"line\"\nunit_id = {}\npoll_every = \"{every_s}s\"\n",
                device + 1
            );
        }
        let nth = signal % DEVICE_SIGNALS;
        let _ = write!(
            text,
            "\n[[device.signal]]\nid = \"signal-{nth}\"\ntable = \"input\"\naddress = {nth}\ntype = \"u16\"\n\
             scale = {{ from = [0, 10], to = [0, 1] }}\nunit = \"ppmv\"\n"
        );
    }
    for signal in 0..signals {
        let (device, nth) = (signal / DEVICE_SIGNALS, signal % DEVICE_SIGNALS);
        let _ = write!(
            text,
            "\n[[alarm]]\nid = \"high-{signal}\"\nname = \"High\"\nsignal = \"device-{device}.signal-{nth}\"\n\
             kind = \"high\"\nsetpoint = 4.6\ndeadband = 0.2\n"
        );
    }
    config::load(&PathBuf::from("site.toml"), &Text(text)).map_err(|problems| problems.to_string()).unwrap()
}

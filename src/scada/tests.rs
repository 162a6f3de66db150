//! The SCADA contract: what each register says, and that no master can disturb another.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use tokio::io::AsyncWriteExt;
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;

use crate::daemon::Health;
use crate::scada::image::Image;
use crate::scada::layout::List;
use crate::scada::listing;
use crate::scada::rig::{Master, Rig};
use crate::scada::server::{Accept, CONNECTIONS_MAX, Patience, serve};
use crate::signal::{BadValue, Quality, Sample, Value};
use crate::view::story::{at_ms, story};

/// What the registers of one signal say.
#[derive(Debug)]
struct Told {
    value: f32,
    quality: u16,
    condition: u16,
    age_s: u16,
    reasons: u32,
}

fn signal(image: &Image, number: u16) -> Told {
    let registers = image.registers(List::Signals.address(number), 8).unwrap();
    let wide = |at: usize| u32::from(registers[at]) << 16 | u32::from(registers[at + 1]);
    let [_, _, quality, condition, age_s, reserve, ..] = *registers else { panic!("eight registers") };
    assert_eq!(reserve, 0);
    Told { value: f32::from_bits(wide(0)), quality, condition, age_s, reasons: wide(6) }
}

/// The story's signals in order: concentration, flow, calibrating, water, heating value, Wobbe index.
#[test]
fn a_signal_is_told_with_value_quality_condition_age_and_reasons() {
    let image = Rig::telling(story()).images(BadValue::Nan).now();
    let good = signal(&image, 0);
    assert_eq!((good.value, good.quality, good.condition), (4.312, 1, 0));
    assert_eq!((good.age_s, good.reasons), (0, 0));
    assert_eq!(signal(&image, 2).value, 0.0, "a state that is false");

    let uncertain = signal(&image, 3);
    assert_eq!((uncertain.value, uncertain.quality, uncertain.condition), (6.9, 2, 3));
    assert_eq!(uncertain.reasons, 1 << 9, "above its range");

    let bad = signal(&image, 4);
    assert!(bad.value.is_nan());
    assert_eq!((bad.quality, bad.condition, bad.age_s, bad.reasons), (3, 255, 182, 1 << 1));

    let never = signal(&image, 5);
    assert!(never.value.is_nan());
    assert_eq!((never.quality, never.age_s, never.reasons), (3, u16::MAX, 1 << 0));
}

#[test]
fn what_stands_for_a_bad_value_never_changes_what_is_told_of_its_quality() {
    let rig = Rig::telling(story());
    let (heating, wobbe) = (4, 5);
    let last_good = rig.images(BadValue::LastGood).now();
    assert_eq!(signal(&last_good, heating).value, 1034.72);
    assert!(signal(&last_good, wobbe).value.is_nan(), "there never was a good value");
    let fixed = rig.images(BadValue::Fixed(-999.0)).now();
    assert_eq!(signal(&fixed, heating).value, -999.0);
    for (image, stands_for) in [(&last_good, 2), (&fixed, 3)] {
        assert_eq!((signal(image, heating).quality, signal(image, wobbe).quality), (3, 3));
        assert_eq!(signal(image, 0).value, 4.312, "a good value is told as it is");
        assert_eq!(signal(image, 3).value, 6.9, "an uncertain value is told as it is");
        assert_eq!(image.registers(5, 1), Some(&[stands_for][..]));
    }
}

#[test]
fn a_number_that_a_binary32_cannot_hold_is_not_told_as_a_good_one() {
    let mut snapshot = story();
    let huge = Sample::new(Some(Value::Number(1e39)), [].into_iter().collect(), snapshot.at);
    assert_eq!(huge.quality(), Quality::Good);
    snapshot.signals[0].sample = huge;
    let told = signal(&Rig::telling(snapshot).images(BadValue::Nan).now(), 0);
    assert!(told.value.is_nan());
    assert_eq!((told.quality, told.reasons), (3, 1 << 4));
}

/// The story's alarms in order: unacknowledged and active; normal; latched, acknowledged and not to be
/// known; acknowledged and active; shelved.
#[test]
fn an_alarm_is_told_by_its_state_and_by_bits_that_agree() {
    let image = Rig::telling(story()).images(BadValue::Nan).now();
    let (active, unacknowledged, latched, shelved, indeterminate) = (1, 2, 4, 8, 64);
    let told = [
        [2, active | unacknowledged | latched],
        [1, 0],
        [6, latched | indeterminate],
        [3, active],
        [7, shelved],
    ];
    for (number, told) in (0..).zip(told) {
        assert_eq!(image.registers(List::Alarms.address(number), 2), Some(&told[..]), "alarm {number}");
        let bits = image.bits(number * 8, 8).unwrap();
        let packed = bits.iter().rev().fold(0, |packed, bit| packed << 1 | u16::from(*bit));
        assert_eq!(packed, told[1], "alarm {number}");
    }
}

#[test]
fn lines_devices_and_the_site_are_told() {
    let rig = Rig::telling(story());
    let image = rig.images(BadValue::Nan).now();
    assert_eq!(image.registers(100, 3), Some(&[2, 3, 1][..]), "up, down, not known");
    assert_eq!(image.registers(200, 3), Some(&[2, 3, 4][..]), "online, degraded, lost");
    let site = image.registers(0, 32).unwrap();
    assert_eq!(site[..8], [1, 1, 245, 1, 0, 1, 0, 245], "layout … sequence");
    let time = at_ms(245_120).wall.as_second();
    assert_eq!(i64::from(site[8]) << 16 | i64::from(site[9]), time);
    assert_eq!(site[10..20], [2, 1, 1, 2, 1, 1, 1, 3, 1, 2], "gas … signals_bad");
    assert!(site[20..].iter().all(|register| *register == 0));
}

#[test]
fn a_promise_that_is_not_kept_shows() {
    let rig = Rig::telling(story());
    rig.health.send_replace(Health::failing("disk full"));
    assert_eq!(rig.images(BadValue::Nan).now().registers(3, 1), Some(&[2][..]));
}

#[test]
fn the_heartbeat_counts_with_what_is_known_and_stands_still_when_nothing_new_is() {
    let rig = Rig::telling(story());
    let images = rig.images(BadValue::Nan);
    let heartbeat = || images.now().registers(2, 1).unwrap()[0];
    assert_eq!(heartbeat(), 245);
    rig.pass(Duration::from_secs(2));
    assert_eq!(heartbeat(), 245);
    let mut later = story();
    later.at = at_ms(65_536_000 + 7_000);
    rig.snapshots.send_replace(Arc::new(later));
    assert_eq!(heartbeat(), 7, "after 65535 from 0 again");
}

#[test]
fn when_nothing_new_is_known_nothing_is_told_as_the_present() {
    let rig = Rig::telling(story());
    let images = rig.images(BadValue::LastGood);
    assert_eq!(signal(&images.now(), 0).quality, 1);
    rig.pass(Duration::from_millis(5_001));
    let image = images.now();
    assert_eq!(image.registers(3, 2), Some(&[3, 5][..]), "health and age");
    for number in 0..6 {
        let told = signal(&image, number);
        assert_eq!((told.quality, told.reasons), (3, 1 << 2), "signal {number}");
    }
    assert_eq!(image.registers(100, 3), Some(&[1, 1, 1][..]), "no line is known to be up");
    assert_eq!(image.registers(200, 3), Some(&[1, 1, 1][..]), "no device is known to be online");
    for number in 0..5 {
        assert!(image.bits(number * 8 + 6, 1).unwrap()[0], "alarm {number} is indeterminate");
    }
}

#[test]
fn the_number_of_what_is_gone_says_that_there_is_nothing() {
    let mut rig = Rig::telling(story());
    let mut snapshot = story();
    snapshot.signals.remove(0);
    snapshot.alarms.remove(0);
    snapshot.devices.remove(0);
    rig.numbers.complete(&snapshot).unwrap();
    rig.snapshots.send_replace(Arc::new(snapshot));
    let image = rig.images(BadValue::Fixed(0.0)).now();
    let gone = signal(&image, 0);
    assert!(gone.value.is_nan());
    assert_eq!((gone.quality, gone.age_s), (0, u16::MAX));
    assert_eq!(image.registers(List::Alarms.address(0), 2), Some(&[0, 0][..]));
    assert_eq!(image.registers(List::Devices.address(0), 1), Some(&[0][..]));
    assert_eq!(signal(&image, 1).value, 1.84, "the others stand where they stood");
}

#[test]
fn every_row_of_the_map_can_be_read_and_nothing_beyond_it() {
    let rig = Rig::telling(story());
    let image = rig.images(BadValue::Nan).now();
    let rows = listing(&story(), &rig.numbers);
    for row in &rows {
        match row.table {
            "register" => assert!(image.registers(row.address, row.count).is_some(), "{row:?}"),
            _ => assert!(image.bits(row.address, row.count).is_some(), "{row:?}"),
        }
    }
    let (lines, devices, signals, alarms) = (3, 3, 6, 5);
    let ends = [32, 100 + lines, 200 + devices, 1000 + 8 * signals, 40_000 + 2 * alarms];
    for end in ends {
        assert!(image.registers(end - 1, 1).is_some(), "{end}");
        assert_eq!(image.registers(end - 1, 2), None, "{end}");
        assert_eq!(image.registers(end, 1), None, "{end}");
    }
    assert_eq!(image.bits(8 * alarms, 1), None);
    assert_eq!(image.registers(u16::MAX, 125), None);
}

#[test]
fn an_image_is_made_once_for_all_who_ask_within_its_time() {
    let rig = Rig::telling(story());
    let images = rig.images(BadValue::Nan);
    let first = images.now();
    rig.pass(Duration::from_millis(499));
    assert!(Arc::ptr_eq(&first, &images.now()));
    rig.snapshots.send_replace(Arc::new(story()));
    assert!(!Arc::ptr_eq(&first, &images.now()));
}

#[tokio::test]
async fn a_master_reads_asks_for_too_much_and_reads_on() {
    let rig = Rig::telling(story());
    let stop = CancellationToken::new();
    let bound = rig.serve(&stop).await;
    let mut master = Master::connect(bound.address).await;
    assert_eq!(master.read(200, 3).await, [2, 3, 4]);
    master.send(&[0, 9, 0, 0, 0, 6, 1, 6, 0, 1, 0, 3]).await;
    assert_eq!(master.answer().await, (9, vec![0x86, 1]), "nothing is written here");
    assert_eq!(master.read(100, 3).await, [2, 3, 1]);
    stop.cancel();
    bound.task.await.unwrap();
    assert!(master.is_closed().await);
}

#[tokio::test]
async fn what_a_new_site_file_brings_is_told_once_it_has_a_number() {
    let rig = Rig::telling(story());
    let stop = CancellationToken::new();
    let bound = rig.serve(&stop).await;
    let mut changed = story();
    let mut new = changed.alarms[1].clone();
    new.id = "h2o-very-high".to_owned();
    changed.alarms.insert(0, new);
    let mut numbers = rig.numbers.clone();
    numbers.complete(&changed).unwrap();
    bound.numbers.send_replace(numbers);
    rig.snapshots.send_replace(Arc::new(changed));
    let mut master = Master::connect(bound.address).await;
    assert_eq!(master.read(40_000, 12).await[..2], [2, 7], "h2s-high stands where it stood");
    assert_eq!(master.read(40_010, 2).await, [1, 0], "the new alarm comes after the others");
}

#[tokio::test]
async fn a_hundred_masters_at_once_each_get_their_own_answers() {
    let rig = Rig::telling(story());
    let stop = CancellationToken::new();
    let address = rig.serve(&stop).await.address;
    let master = |transaction: u16| async move {
        let mut master = Master::connect(address).await;
        for round in 0..50_u16 {
            // Two requests at once: one for registers, one that is refused.
            let [high, low] = (transaction + round).to_be_bytes();
            let whole = [high, low, 0, 0, 0, 6, 1, 3, 0x03, 0xE8, 0, 48];
            let refused = [low, high, 0, 0, 0, 6, 1, 3, 0x03, 0xE8, 0, 0];
            master.send(&[whole, refused].concat()).await;
            let (number, pdu) = master.answer().await;
            assert_eq!((number, pdu.len()), (transaction + round, 98));
            assert_eq!(master.answer().await.1, [0x83, 3]);
        }
    };
    let masters: Vec<_> = (0..100).map(|number| tokio::spawn(master(number * 100))).collect();
    for master in masters {
        master.await.unwrap();
    }
}

/// Every value in one snapshot is the same number: a mix of two would show.
#[tokio::test]
async fn what_one_request_reads_belongs_together() {
    let rig = Rig::telling(story());
    let stop = CancellationToken::new();
    let mut master = Master::connect(rig.serve(&stop).await.address).await;
    for turn in 0..200_u32 {
        let mut snapshot = story();
        for signal in &mut snapshot.signals {
            let value = Value::Number(f64::from(turn));
            signal.sample = Sample::new(Some(value), [].into_iter().collect(), snapshot.at);
        }
        rig.snapshots.send_replace(Arc::new(snapshot));
        let registers = master.read(1000, 48).await;
        let values: Vec<_> = registers.chunks(8).map(|signal| &signal[..2]).collect();
        assert!(values.windows(2).all(|pair| pair[0] == pair[1]), "{values:?}");
    }
}

const HASTY: Patience = Patience {
    idle_max: Duration::from_millis(200),
    request_max: Duration::from_millis(100),
    answer_max: Duration::from_millis(200),
};

const PATIENT: Patience = Patience {
    idle_max: Duration::from_secs(600),
    request_max: Duration::from_secs(600),
    answer_max: Duration::from_secs(600),
};

/// A listener whose first accepts fail for want of files.
struct Starved {
    listener: TcpListener,
    failures_left: AtomicU32,
}

impl Accept for Starved {
    async fn accept(&self) -> io::Result<TcpStream> {
        let less = |left: u32| left.checked_sub(1);
        if self.failures_left.fetch_update(Ordering::Relaxed, Ordering::Relaxed, less).is_ok() {
            return Err(io::Error::from_raw_os_error(libc::EMFILE));
        }
        Accept::accept(&self.listener).await
    }
}

async fn served(rig: &Rig, patience: Patience, failures: u32) -> std::net::SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let listener = Starved { listener, failures_left: failures.into() };
    tokio::spawn(serve(listener, rig.images(BadValue::Nan), patience, CancellationToken::new()));
    address
}

#[tokio::test]
async fn silence_half_a_request_and_a_trickle_are_closed_after_their_time() {
    let rig = Rig::telling(story());
    let address = served(&rig, HASTY, 0).await;
    assert!(Master::connect(address).await.is_closed().await, "silence");

    let mut half = Master::connect(address).await;
    half.send(&[0, 1, 0, 0, 0, 6, 1, 3]).await;
    assert!(half.is_closed().await, "half a request");

    let mut trickle = Master::connect(address).await;
    trickle.send(&[0, 1, 0, 0, 0, 200]).await;
    let mut sent = 0;
    while trickle.0.write_all(&[1]).await.is_ok() {
        sent += 1;
        assert!(sent < 190, "the server lets a master trickle");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}

#[tokio::test]
async fn a_master_that_does_not_read_its_answers_is_given_up() {
    let rig = Rig::telling(story());
    let address = served(&rig, HASTY, 0).await;
    let mut deaf = Master::connect(address).await;
    let request = [0, 1, 0, 0, 0, 6, 1, 3, 0x03, 0xE8, 0, 48].repeat(1000);
    let mut sent = 0;
    while deaf.0.write_all(&request).await.is_ok() {
        sent += 1;
        assert!(sent < 10_000, "the server takes whatever comes");
    }
    assert_eq!(Master::connect(address).await.read(200, 1).await, [2], "others are served");
}

#[tokio::test]
async fn what_is_not_modbus_is_closed_and_nobody_else_notices() {
    let rig = Rig::telling(story());
    let address = served(&rig, PATIENT, 0).await;
    let mut good = Master::connect(address).await;
    assert_eq!(good.read(200, 1).await, [2]);
    for bytes in [&b"GET / HTTP/1.1\r\nHost: box\r\n\r\n"[..], &[0xFF; 300], &[0, 1, 0, 0, 0, 0, 0]] {
        let mut stranger = Master::connect(address).await;
        stranger.send(bytes).await;
        assert!(stranger.is_closed().await, "{bytes:?}");
    }
    assert_eq!(good.read(200, 1).await, [2]);
}

#[tokio::test]
async fn whoever_comes_when_every_place_is_taken_is_closed_at_once() {
    let rig = Rig::telling(story());
    let address = served(&rig, PATIENT, 0).await;
    let mut masters = Vec::new();
    for _ in 0..CONNECTIONS_MAX {
        let mut master = Master::connect(address).await;
        assert_eq!(master.read(200, 1).await, [2]);
        masters.push(master);
    }
    assert!(Master::connect(address).await.is_closed().await);
    masters.pop();
    let mut again = Master::connect(address).await;
    while again.is_closed_before(&crate::scada::read_request(200, 1)).await {
        again = Master::connect(address).await;
    }
}

impl Master {
    /// Whether the server closed the connection instead of answering.
    async fn is_closed_before(&mut self, request: &[u8]) -> bool {
        self.0.write_all(request).await.is_err() || self.is_closed().await
    }
}

#[tokio::test]
async fn a_want_of_files_is_waited_out() {
    let rig = Rig::telling(story());
    let address = served(&rig, HASTY, 2).await;
    assert_eq!(Master::connect(address).await.read(200, 1).await, [2]);
}

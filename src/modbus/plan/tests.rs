//! What a plan asks for, and what it learns from a simulated device that lacks some of it.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeSet;
use std::time::Duration;

use proptest::prelude::*;

use super::*;
use crate::config::{DeviceSpec, Parity, SerialSettings};
use crate::modbus::timing::{HOST, Timing};
use crate::modbus::{DevicePlan, Learned, SignalPlan};
use crate::moment::Mono;
use crate::signal::{DeviceIndex, LineIndex, Order, Place, SignalIndex, Table, ValueType};

const SECOND: Duration = Duration::from_secs(1);

/// `"input 40 f32"`, or with a bit of a register `"holding 12.3 bool"`.
fn place(text: &str) -> Place {
    let [table, address, value_type] = text.split_whitespace().collect::<Vec<_>>()[..] else {
        panic!("{text}")
    };
    let tables = [Table::Coil, Table::Discrete, Table::Holding, Table::Input];
    let types = [ValueType::Bool, ValueType::U16, ValueType::F32, ValueType::F64];
    let (address, bit) = address.split_once('.').map_or((address, None), |(word, bit)| (word, Some(bit)));
    Place {
        table: tables.into_iter().find(|known| known.word() == table).unwrap(),
        address: address.parse().unwrap(),
        bit: bit.map(|bit| bit.parse().unwrap()),
        value_type: types.into_iter().find(|known| known.word() == value_type).unwrap(),
        word_order: Order::HighFirst,
        byte_order: Order::HighFirst,
    }
}

/// A device whose signals are told as `"every: place, place; every: place"`.
fn device(signals: &str) -> DevicePlan {
    let mut wanted = Vec::new();
    for group in signals.split(';') {
        let (every_s, places) = group.split_once(':').unwrap();
        let poll_every = Duration::from_secs(every_s.trim().parse().unwrap());
        for each in places.split(',') {
            wanted.push(SignalPlan { signal: SignalIndex(wanted.len()), place: place(each), poll_every });
        }
    }
    device_with(wanted)
}

fn device_with(signals: Vec<SignalPlan>) -> DevicePlan {
    let spec = DeviceSpec {
        id: "dew".into(),
        name: "Dew point".into(),
        line: LineIndex(0),
        unit_id: 1,
        signals: signals.iter().map(|wanted| wanted.signal).collect(),
        max_registers: 125,
        turnaround: Some(Duration::from_millis(20)),
        quiet: Duration::ZERO,
        care: crate::calibration::Care::default(),
    };
    DevicePlan { device: DeviceIndex(0), spec, signals, learned: Learned::default() }
}

fn timing(baud: u32) -> Timing {
    Timing::serial(SerialSettings { baud, parity: Parity::None, stop_bits: 1 })
}

fn plan(device: &DevicePlan) -> Plan {
    Plan::of(device, timing(9_600))
}

/// The blocks of every group in words, groups parted by `;`.
fn told(plan: &Plan) -> String {
    let group = |group| plan.blocks(group).iter().map(Block::to_string).collect::<Vec<_>>().join(", ");
    (0..plan.groups()).map(group).collect::<Vec<_>>().join("; ")
}

fn assert_planned(signals: &str, expected: &str) {
    assert_eq!(told(&plan(&device(signals))), expected, "for {signals}");
}

#[test]
fn values_are_put_into_blocks() {
    let cases = [
        // Neighbours together, in whatever order they are told.
        ("1: input 4 f32, input 0 f32, input 2 f32", "input 0–5"),
        // The same place twice, values that overlap, bits of one register: no more than the registers.
        ("1: input 7 u16, input 7 u16", "input 7"),
        ("1: input 4 f32, input 5 u16, input 5 f32", "input 4–6"),
        ("1: holding 3.0 bool, holding 3.15 bool", "holding 3"),
        // Each table for itself; bits are addressed apart from registers.
        (
            "1: input 0 u16, holding 1 u16, discrete 2 bool, coil 3 bool",
            "coil 3, discrete 2, holding 1, input 0",
        ),
        // The end of the table.
        ("1: input 65534 f32, input 65533 u16", "input 65533–65535"),
        ("1: input 0 u16, input 65535 u16", "input 0, input 65535"),
        // No more than 125 registers or 2000 bits at once.
        (
            "1: input 0 u16, input 18 u16, input 36 u16, input 54 u16, input 72 u16, input 90 u16, input 108 u16, input 124 u16",
            "input 0–124",
        ),
        (
            "1: input 0 u16, input 18 u16, input 36 u16, input 54 u16, input 72 u16, input 90 u16, input 108 u16, input 124 f32",
            "input 0–90, input 108–125",
        ),
        ("1: coil 0 bool, coil 190 bool, coil 380 bool", "coil 0–380"),
        // Periods apart, but what a faster block brings anyway is not asked for again.
        ("1: input 0 f32, input 6 f32; 10: input 4 u16, input 40 u16", "input 0–7; input 40"),
        ("1: input 0 f32; 10: input 0 f32", "input 0–1; "),
    ];
    for (signals, expected) in cases {
        assert_planned(signals, expected);
    }
}

/// Another question costs 13 bytes, the response time and a silence; a register read through costs two
/// bytes. So a gap of g registers pays while g < 6.5 + (turnaround + t3.5 + host) * baud / (2 * bits).
/// Two lone bits take a byte each, and eight bits of gap one: g + 2 bits pay while the bytes that they
/// fill are fewer than 15 + (turnaround + t3.5 + host) * baud / bits.
#[test]
fn a_gap_is_read_through_exactly_while_that_is_cheaper_than_another_question() {
    for (baud, turnaround_ms) in [(1_200, 0), (9_600, 4), (9_600, 20), (19_200, 20), (38_400, 0)] {
        let turnaround = Duration::from_millis(turnaround_ms);
        let pause = turnaround + timing(baud).t3_5() + HOST;
        let pause_bytes = pause.div_duration_f64(timing(baud).characters(1));
        let registers = (6.5 + pause_bytes / 2.0).ceil() - 1.0;
        let bits = ((15.0 + pause_bytes).ceil() - 1.0) * 8.0 - 2.0;
        for (kind, gap_max) in [("input {} u16", registers), ("coil {} bool", bits)] {
            let blocks = |gap: f64| {
                let places = [0.0, 1.0 + gap].map(|address| kind.replace("{}", &address.to_string()));
                let mut device = device(&format!("1: {}", places.join(", ")));
                device.spec.turnaround = Some(turnaround);
                Plan::of(&device, timing(baud)).blocks(0).len()
            };
            let found = (blocks(gap_max), blocks(gap_max + 1.0));
            assert_eq!(found, (1, 2), "{kind} at {baud} baud, {turnaround_ms} ms: {gap_max}");
        }
    }
}

/// The limits measured on a slave that keeps the silent intervals: 10 registers at 9600 baud with a
/// device that answers after 3.5 characters, 18 with one that takes 20 ms.
#[test]
fn gaps_read_through_are_those_measured_on_a_paced_slave() {
    for (turnaround, gap_max) in [(timing(9_600).t3_5(), 10), (Duration::from_millis(20), 18)] {
        let blocks = |gap: u16| {
            let mut device = device(&format!("1: input 0 u16, input {} u16", 1 + gap));
            device.spec.turnaround = Some(turnaround);
            plan(&device).blocks(0).len()
        };
        assert_eq!((blocks(gap_max), blocks(gap_max + 1)), (1, 2), "{turnaround:?}");
    }
}

#[test]
fn a_device_that_takes_little_at_once_is_asked_for_little() {
    let mut device =
        device("1: input 0 f32, input 2 f32, input 4 f32, coil 0 bool, coil 60 bool, coil 70 bool");
    device.spec.max_registers = 4;
    assert_eq!(told(&plan(&device)), "coil 0, coil 60–70, input 0–3, input 4–5");
    device.spec.max_registers = 1;
    // A value is never split: what the device makes of it is for the device to say.
    assert_eq!(told(&plan(&device)).matches("input").count(), 3);
}

#[test]
fn an_answer_brings_every_signal_in_its_block() {
    let mut plan = plan(&device("1: input 0 f32, input 6 f32; 10: input 4 u16; 1: input 2 f32, input 2 f32"));
    let turn = plan.begin(0, Mono::ZERO);
    let ask = turn.next().unwrap();
    assert_eq!(ask.block.to_string(), "input 0–7");
    assert_eq!(ask.signals, [0, 1, 2, 3, 4].map(SignalIndex));
}

#[test]
fn a_learned_response_time_changes_what_pays() {
    let mut device = device("1: input 0 u16, input 15 u16");
    device.spec.turnaround = Some(Duration::from_millis(2));
    let mut plan = plan(&device);
    assert_eq!(told(&plan), "input 0, input 15");
    plan.learn_turnaround(Duration::from_millis(2) + Duration::from_micros(400));
    plan.begin(0, Mono::ZERO);
    assert_eq!(told(&plan), "input 0, input 15", "too little to matter");
    plan.learn_turnaround(Duration::from_millis(30));
    plan.begin(0, Mono::ZERO);
    assert_eq!(told(&plan), "input 0–15");
}

/// A device that has only some items, and answers only so many at once.
struct Simulated {
    has: BTreeSet<u16>,
    items_max: u16,
    asked: Vec<String>,
}

impl Simulated {
    fn new(has: impl IntoIterator<Item = u16>) -> Self {
        Simulated { has: has.into_iter().collect(), items_max: 125, asked: Vec::new() }
    }

    fn answers(&mut self, block: &Block) -> bool {
        let mut items = u32::from(block.start)..block.end();
        let answers = block.count <= self.items_max
            && items.all(|item| self.has.contains(&u16::try_from(item).unwrap()));
        self.asked.push(format!("{block}{}", if answers { "" } else { " refused" }));
        answers
    }

    /// Plays one turn. Returns the signals answered and those refused, each sorted.
    fn turn(&mut self, plan: &mut Plan, group: usize, now: Mono) -> (Vec<usize>, Vec<usize>) {
        self.asked.clear();
        let (mut answered, mut refused) = (BTreeSet::new(), BTreeSet::new());
        let mut turn = plan.begin(group, now);
        refused.extend(turn.refused().iter().map(|signal| signal.0));
        while let Some(ask) = turn.next().cloned() {
            if self.answers(&ask.block) {
                answered.extend(ask.signals.iter().map(|signal| signal.0));
                plan.answered(&mut turn);
            } else {
                refused.extend(plan.refused(&mut turn).iter().map(|signal| signal.0));
            }
        }
        (answered.into_iter().collect(), refused.into_iter().collect())
    }
}

#[test]
fn a_refused_block_is_halved_until_the_refused_value_is_named() {
    let mut plan = plan(&device("1: input 0 f32, input 2 f32, input 4 f32, input 6 f32"));
    let mut device = Simulated::new([0, 1, 2, 3, 4, 6, 7]);
    let (answered, refused) = device.turn(&mut plan, 0, Mono::ZERO);
    assert_eq!((answered, refused), (vec![0, 1, 3], vec![2]));
    assert_eq!(
        device.asked,
        ["input 0–7 refused", "input 0–3", "input 4–7 refused", "input 4–5 refused", "input 6–7"]
    );
    let names: Vec<String> = plan.refused_values().iter().map(Block::to_string).collect();
    assert_eq!(names, ["input 4–5"]);
}

#[test]
fn a_refused_value_is_told_each_turn_and_tried_again_now_and_then() {
    let mut plan = plan(&device("1: input 0 u16, input 1 u16"));
    let mut device = Simulated::new([0]);
    let at = |seconds| Mono::ZERO + SECOND * seconds;
    device.turn(&mut plan, 0, at(0));
    device.turn(&mut plan, 0, at(1));
    let mut tried = Vec::new();
    for second in 2..=2_000 {
        assert_eq!(device.turn(&mut plan, 0, at(second)), (vec![0], vec![1]));
        assert_eq!(device.asked[0], "input 0", "after {second} s");
        if device.asked[1..] == ["input 1 refused"] {
            tried.push(second);
        }
    }
    assert_eq!(tried, [11, 31, 71, 151, 311, 631, 1231, 1831], "at last every ten minutes");
    device.has.insert(1);
    assert_eq!(device.turn(&mut plan, 0, at(2431)), (vec![0, 1], vec![]));
    device.turn(&mut plan, 0, at(2432));
    assert_eq!(device.asked, ["input 0–1"], "and then it is read with its neighbours again");
}

#[test]
fn what_a_device_refuses_while_it_starts_up_is_read_soon_after() {
    let mut plan = plan(&device("1: input 0 u16, input 1 u16, input 2 u16"));
    let mut device = Simulated::new([0, 1]);
    let at = |seconds| Mono::ZERO + SECOND * seconds;
    (0..3_600).for_each(|second| drop(device.turn(&mut plan, 0, at(second))));
    device.has.clear();
    (3_600..3_630).for_each(|second| drop(device.turn(&mut plan, 0, at(second))));
    assert_eq!(plan.refused_values().len(), 3);
    device.has.extend([0, 1]);
    (3_630..3_660).for_each(|second| drop(device.turn(&mut plan, 0, at(second))));
    assert_eq!(device.turn(&mut plan, 0, at(3_660)), (vec![0, 1], vec![2]));
}

#[test]
fn a_gap_that_the_device_does_not_have_is_not_read_over_again() {
    let mut plan = plan(&device("1: input 0 f32, input 6 f32, input 12 f32"));
    let mut device = Simulated::new([0, 1, 6, 7, 8, 9, 10, 11, 12, 13]);
    assert_eq!(device.turn(&mut plan, 0, Mono::ZERO), (vec![0, 1, 2], vec![]));
    device.turn(&mut plan, 0, Mono::ZERO);
    device.turn(&mut plan, 0, Mono::ZERO);
    assert_eq!(device.asked, ["input 0–1", "input 6–13"]);
    assert_eq!(plan.refused_values(), []);

    // The holes, kept as plain ranges, spare the next start the search.
    let kept: Vec<Block> = plan.holes().iter().collect();
    let mut known = self::device("1: input 0 f32, input 6 f32, input 12 f32");
    known.learned.refused = kept;
    assert_eq!(told(&self::plan(&known)), "input 0–1, input 6–13");
}

#[test]
fn a_narrow_value_within_a_refused_wide_one_is_still_read() {
    let mut plan = plan(&device("1: input 4 f32, input 5 u16"));
    let mut device = Simulated::new([5]);
    assert_eq!(device.turn(&mut plan, 0, Mono::ZERO), (vec![1], vec![0]));
    device.turn(&mut plan, 0, Mono::ZERO);
    device.turn(&mut plan, 0, Mono::ZERO);
    assert_eq!(device.asked, ["input 5"]);
}

#[test]
fn only_exceptions_that_speak_of_the_block_are_refusals() {
    let refusals: Vec<u8> = (0..=255).filter(|code| is_refusal(*code)).collect();
    assert_eq!(refusals, [2, 3]);
}

/// Values anywhere in 80 registers, with periods of 1 and 10 s.
fn some_values() -> impl Strategy<Value = Vec<SignalPlan>> {
    let value_type = prop_oneof![Just("u16"), Just("f32"), Just("f64")];
    let each = (0..80_u16, value_type, prop_oneof![Just(1_u64), Just(10)]);
    prop::collection::vec(each, 1..24).prop_map(|values| {
        let wanted = |(index, (address, value_type, every_s))| SignalPlan {
            signal: SignalIndex(index),
            place: place(&format!("input {address} {value_type}")),
            poll_every: Duration::from_secs(every_s),
        };
        values.into_iter().enumerate().map(wanted).collect()
    })
}

proptest! {
    #[test]
    fn whatever_the_device_lacks_every_value_it_has_is_read_in_the_first_turn(
        wanted in some_values(),
        lacks in prop::collection::btree_set(0..84_u16, 0..12),
        items_max in 4..=125_u16,
    ) {
        let mut device = Simulated::new((0..84).filter(|item| !lacks.contains(item)));
        device.items_max = items_max;
        let mut plan = plan(&device_with(wanted.clone()));
        let readable = |wanted: &SignalPlan| {
            let value = Block::of(&wanted.place).unwrap();
            (value.start..).take(usize::from(value.count)).all(|item| !lacks.contains(&item))
        };
        let mut left_to_settle = 60;
        loop {
            let mut refusals = 0;
            let (mut answered, mut refused) = (BTreeSet::new(), BTreeSet::new());
            for group in 0..plan.groups() {
                let (good, bad) = device.turn(&mut plan, group, Mono::ZERO);
                answered.extend(good);
                refused.extend(bad);
                refusals += device.asked.iter().filter(|asked| asked.ends_with("refused")).count();
            }
            for each in &wanted {
                prop_assert_eq!(answered.contains(&each.signal.0), readable(each), "{:?}", each);
                prop_assert_eq!(refused.contains(&each.signal.0), !readable(each), "{:?}", each);
            }
            if refusals == 0 {
                break;
            }
            left_to_settle -= 1;
            prop_assert!(left_to_settle > 0, "the plan does not settle: {}", told(&plan));
        }
        let named: BTreeSet<Block> = plan.refused_values().into_iter().collect();
        let expected: BTreeSet<Block> =
            wanted.iter().filter(|each| !readable(each)).map(|each| Block::of(&each.place).unwrap()).collect();
        prop_assert_eq!(named, expected);
    }
}

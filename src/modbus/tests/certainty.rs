//! Whatever comes over the wire, no wrong value is ever told as a good one.

use std::time::Duration;

use tokio::io::duplex;

use super::slave::{Act, Dice, Heard, answer, exception, sealed, serve};
use super::{Said, TIMEOUT, device, listen, listen_with, serial_plan, value};
use crate::modbus::LinePlan;
use crate::signal::{Raw, Reading, Table};

const SECOND: Duration = Duration::from_secs(1);

/// Two devices, whose blocks lie too far apart to be read in one and are of the same lengths: an
/// answer to another question would fit.
fn plan() -> LinePlan {
    let values = |first: usize| {
        let mut values = Vec::new();
        for (at, address) in [0, 1, 200, 201, 400, 401, 600, 601].into_iter().enumerate() {
            values.push(value(first + at, Table::Holding, address, SECOND));
        }
        values.push(value(first + 8, Table::Input, 0, SECOND));
        values.push(value(first + 9, Table::Discrete, 3, SECOND));
        values
    };
    serial_plan(vec![device(0, 1, values(0)), device(1, 2, values(10))])
}

async fn hear(plan: &LinePlan, minutes: u64, script: impl FnMut(Heard) -> Vec<Act> + Send + 'static) -> Said {
    let (ours, theirs) = duplex(4096);
    let slave = tokio::spawn(serve(theirs, script));
    let said = listen(plan, ours, Duration::from_secs(minutes * 60)).await;
    slave.abort();
    assert!(said.wrong(plan).is_empty(), "{:?}", said.wrong(plan).first());
    said
}

#[tokio::test(start_paused = true)]
async fn a_line_without_faults_reads_everything_at_its_period() {
    let plan = plan();
    let said = hear(&plan, 10, |question| vec![Act::Send(question.answer())]).await;
    assert!(said.good() >= 598 * 20, "{}", said.good());
    let counters = said.last().counters;
    assert_eq!((counters.requests, counters.retries), (counters.answers, 0));
}

/// The slave works through its questions one after the other; some take up to four time-outs.
#[tokio::test(start_paused = true)]
async fn a_late_answer_is_never_taken_for_the_next_one() {
    let plan = plan();
    let mut dice = Dice(0x5EED);
    let said = hear(&plan, 30, move |question| {
        let late = if dice.percent(8) { dice.between(TIMEOUT, TIMEOUT * 4) } else { Duration::ZERO };
        vec![Act::Wait(late), Act::Send(question.answer())]
    })
    .await;
    assert!(said.good() > 20_000, "{}", said.good());
    let counters = said.last().counters;
    assert!(counters.late_responses > 500, "{counters:?}");
    assert!(counters.resynchronisations > 300, "{counters:?}");
}

#[tokio::test(start_paused = true)]
async fn a_late_answer_is_never_taken_for_the_next_one_where_only_waiting_helps() {
    let one = |signal, unit| device(signal, unit, vec![value(signal, Table::Input, 7, SECOND)]);
    let plan = serial_plan(vec![one(0, 1), one(1, 2)]);
    // What stands in the register changes with every question: an answer to an earlier one shows
    // as a value that is not the latest.
    let mut dice = Dice(77);
    let mut asked = 0u16;
    let (told, latest) = tokio::sync::watch::channel(0);
    let (ours, theirs) = duplex(4096);
    let slave = tokio::spawn(serve(theirs, move |question| {
        asked = asked.wrapping_add(1);
        told.send_replace(asked);
        let frame = sealed(&[&[question.unit, 4, 2][..], &asked.to_be_bytes()].concat());
        let late = if dice.percent(8) { dice.between(TIMEOUT, TIMEOUT * 4) } else { Duration::ZERO };
        vec![Act::Wait(late), Act::Send(frame)]
    }));
    let right = move |reading: &Reading| match reading.outcome {
        Ok(raw) => raw == Raw::Number(f64::from(*latest.borrow())),
        Err(_) => true,
    };
    let said = listen_with(&plan, ours, Duration::from_secs(1800), |reading| {
        assert!(right(reading), "{reading:?}");
    })
    .await;
    slave.abort();
    assert!(said.good() > 3_400, "{}", said.good());
    assert!(said.last().counters.late_responses > 100, "{:?}", said.last().counters);
}

#[tokio::test(start_paused = true)]
async fn nothing_wrong_comes_through_whatever_happens_at_once() {
    let plan = plan();
    let mut dice = Dice(0xBAD_11FE);
    let said = hear(&plan, 40, move |question| misbehave(question, &mut dice)).await;
    assert!(said.good() > 5_000, "{}", said.good());
    let counters = said.last().counters;
    assert!(counters.crc_errors > 500 && counters.foreign_frames > 100, "{counters:?}");
    assert!(counters.late_responses > 100 && counters.exceptions > 50, "{counters:?}");
}

/// About a third of all answers are spoilt, some in several ways.
fn misbehave(question: Heard, dice: &mut Dice) -> Vec<Act> {
    let mut frame = question.answer();
    let mut acts = Vec::new();
    if dice.percent(8) {
        acts.push(Act::Wait(dice.between(TIMEOUT, TIMEOUT * 4)));
    }
    if dice.percent(4) {
        acts.push(Act::Send(question.bytes.to_vec()));
    }
    if dice.percent(4) {
        let unit = if question.unit == 1 { 2 } else { 1 };
        acts.push(Act::Send(answer(unit, question.function, question.start + 600, question.count)));
    }
    if dice.percent(3) {
        let count = question.count + if question.function <= 2 { 8 } else { 1 };
        frame = answer(question.unit, question.function, question.start + 1, count);
    }
    if dice.percent(2) {
        frame = exception(question.unit, question.function, 4);
    }
    if dice.percent(8) {
        let bit = dice.index(frame.len() * 8);
        frame[bit / 8] ^= 1 << (bit % 8);
    }
    if dice.percent(4) {
        frame.truncate(dice.index(frame.len()));
    }
    if dice.percent(3) {
        frame.insert(0, 0x00);
    }
    let cut = dice.index(frame.len().max(1));
    let tail = frame.split_off(cut);
    acts.extend([Act::Send(frame), Act::Wait(Duration::from_millis(dice.below(20))), Act::Send(tail)]);
    acts
}

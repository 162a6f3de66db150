//! What a line does about devices that are silent, busy, refusing or damaged.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::io::{AsyncWriteExt, duplex};
use tokio::sync::{mpsc, oneshot};
use tokio::time::Instant;

use super::slave::{Act, Heard, exception, serve};
use super::{SETTINGS, Said, TIMEOUT, clock, device, listen, serial_plan, value, wire};
use crate::modbus::line::{ECHO_HINT, End, Line};
use crate::modbus::plan::Block;
use crate::modbus::timing::Timing;
use crate::modbus::{Lent, LinePlan, LoanAsked};
use crate::moment::Mono;
use crate::monitor::{DeviceState, Loan, Who};
use crate::signal::{ReadFault, Table};

const SECOND: Duration = Duration::from_secs(1);

fn one_device() -> LinePlan {
    let values = (0..6).map(|at| value(usize::from(at), Table::Holding, 38 + at, SECOND)).collect();
    serial_plan(vec![device(0, 1, values)])
}

fn two_devices() -> LinePlan {
    let values = |first: usize| {
        vec![value(first, Table::Input, 0, SECOND), value(first + 1, Table::Holding, 9, SECOND)]
    };
    serial_plan(vec![device(0, 1, values(0)), device(1, 2, values(2))])
}

async fn hear(plan: &LinePlan, seconds: u64, script: impl FnMut(Heard) -> Vec<Act> + Send + 'static) -> Said {
    let (ours, theirs) = duplex(4096);
    let slave = tokio::spawn(serve(theirs, script));
    let said = listen(plan, ours, Duration::from_secs(seconds)).await;
    slave.abort();
    assert!(said.wrong(plan).is_empty(), "{:?}", said.wrong(plan).first());
    said
}

fn states(said: &Said) -> Vec<DeviceState> {
    said.last().devices.iter().map(|device| device.state).collect()
}

#[tokio::test(start_paused = true)]
async fn a_silent_device_is_asked_less_and_less_and_costs_the_other_little() {
    let said = hear(&two_devices(), 600, |question| match question.unit {
        1 => vec![],
        _ => vec![Act::Send(question.answer())],
    })
    .await;
    assert_eq!(states(&said), [DeviceState::Lost, DeviceState::Online]);
    let (fault, _, good) = said.faults(0);
    assert_eq!((fault, good), (Some(ReadFault::NoAnswer), 0));
    let (fault, _, good) = said.faults(2);
    assert!(fault.is_none() && good >= 590, "{good}");
    let requests = said.last().devices[0].counters.requests;
    assert!((10..80).contains(&requests), "{requests}");
}

/// Some devices say nothing where the standard has them answer with exception 02.
#[tokio::test(start_paused = true)]
async fn a_question_that_a_talking_device_never_answers_costs_its_other_values_nothing() {
    let values = vec![
        value(0, Table::Holding, 0, SECOND),
        value(1, Table::Holding, 4_000, SECOND),
        value(2, Table::Input, 0, SECOND),
    ];
    let said = hear(&serial_plan(vec![device(0, 1, values)]), 600, |question| match question.start {
        4_000 => vec![],
        _ => vec![Act::Send(question.answer())],
    })
    .await;
    assert_eq!(states(&said), [DeviceState::Online]);
    for talking in [0, 2] {
        let (fault, _, good) = said.faults(talking);
        assert!(fault.is_none() && good >= 590, "signal {talking}: {fault:?}, {good} good");
    }
    let (fault, told, good) = said.faults(1);
    assert_eq!((fault, good), (Some(ReadFault::NoAnswer), 0));
    assert!(told >= 590, "told to be unknown as often as it is wanted: {told}");
    let timeouts = said.last().devices[0].counters.timeouts;
    assert!((10..40).contains(&timeouts), "asked now and then all the same: {timeouts}");
}

/// A register between two values that the device does not have, and one that is wanted: it says nothing
/// to any question that reaches over them.
#[tokio::test(start_paused = true)]
async fn a_register_for_which_a_talking_device_says_nothing_costs_its_neighbours_nothing() {
    let mut values = vec![value(0, Table::Input, 0, SECOND)];
    values.extend(
        [0, 12, 800, 801, 802, 803, 804]
            .iter()
            .zip(1..)
            .map(|(at, signal)| value(signal, Table::Holding, *at, SECOND)),
    );
    let plan = serial_plan(vec![device(0, 1, values)]);
    let said = hear(&plan, 600, |question| {
        let range = question.start..question.start + question.count;
        let silent = question.function == 3 && (range.contains(&5) || range.contains(&802));
        if silent { vec![] } else { vec![Act::Send(question.answer())] }
    })
    .await;
    for talking in [1, 2, 3, 4, 6, 7] {
        let (_, _, good) = said.faults(talking);
        assert!(good >= 550, "signal {talking}: {good} good");
    }
    let (fault, _, good) = said.faults(5);
    assert_eq!((fault, good), (Some(ReadFault::NoAnswer), 0));
    let last = said.last();
    assert_eq!((last.devices[0].state, last.devices[0].refused.len()), (DeviceState::Online, 0));
    let blocks: Vec<&str> = last.devices[0].blocks.iter().map(|block| block.block.as_str()).collect();
    assert_eq!(
        blocks,
        ["holding 0", "holding 12", "holding 800–801", "holding 802", "holding 803–804", "input 0"]
    );
}

#[tokio::test(start_paused = true)]
async fn one_lost_answer_does_not_cost_the_devices_other_values_their_poll() {
    let values = (0..4).map(|at| value(usize::from(at), Table::Holding, at * 1_000, SECOND)).collect();
    let mut plan = serial_plan(vec![device(0, 1, values)]);
    plan.spec.retries = 0;
    let mut asked = 0;
    let said = hear(&plan, 60, move |question| {
        asked += 1;
        if asked == 42 { vec![] } else { vec![Act::Send(question.answer())] }
    })
    .await;
    let faults: usize = (0..4).map(|signal| said.faults(signal).1).sum();
    assert_eq!(faults, 1);
    assert!(said.good() >= 4 * 58, "{}", said.good());
}

#[tokio::test(start_paused = true)]
async fn at_its_start_a_line_waits_for_answers_as_late_as_they_are_known_to_come() {
    let mut plan = one_device();
    for latest in [Duration::ZERO, SECOND * 3] {
        plan.devices[0].learned.latest = latest;
        let began = Instant::now();
        let first = Arc::new(Mutex::new(None));
        let put = Arc::clone(&first);
        hear(&plan, 10, move |question| {
            put.lock().unwrap().get_or_insert(began.elapsed());
            vec![Act::Send(question.answer())]
        })
        .await;
        let first = first.lock().unwrap().unwrap();
        assert!(first >= latest + TIMEOUT && first < latest + TIMEOUT * 2, "{first:?}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_device_that_comes_back_is_asked_at_its_full_rate_again() {
    let back_at = Instant::now() + Duration::from_secs(300);
    let said = hear(&two_devices(), 600, move |question| {
        let silent = question.unit == 1 && Instant::now() < back_at;
        if silent { vec![] } else { vec![Act::Send(question.answer())] }
    })
    .await;
    assert_eq!(states(&said), [DeviceState::Online, DeviceState::Online]);
    let (_, _, good) = said.faults(0);
    assert!((260..=301).contains(&good), "{good}");
}

#[tokio::test(start_paused = true)]
async fn registers_a_device_refuses_are_found_and_named_and_the_others_are_read() {
    let said = hear(&one_device(), 60, |question| {
        let refused = (question.start..question.start + question.count).contains(&40);
        let answer = if refused { exception(question.unit, question.function, 2) } else { question.answer() };
        vec![Act::Send(answer)]
    })
    .await;
    assert_eq!(said.last().devices[0].refused, ["holding 40"]);
    assert_eq!(said.last().devices[0].state, DeviceState::Online);
    for signal in 0..6 {
        let (fault, faults, good) = said.faults(signal);
        if signal == 2 {
            assert_eq!((fault, good), (Some(ReadFault::Exception(2)), 0));
            assert!(faults >= 58, "{faults}");
        } else {
            assert!(fault.is_none() && good >= 58, "signal {signal}: {fault:?} {good}");
        }
    }
}

/// Answers as a device does that has all registers but 40, after `turnaround`.
fn without_40(turnaround: Duration) -> impl FnMut(Heard) -> Vec<Act> + Send + 'static {
    move |question| {
        let refused = (question.start..question.start + question.count).contains(&40);
        let answer = if refused { exception(question.unit, question.function, 2) } else { question.answer() };
        let timing = Timing::serial(SETTINGS);
        let on_the_wire = timing.question() + timing.answer(Table::Holding, question.count);
        vec![Act::Wait(on_the_wire + turnaround), Act::Send(answer)]
    }
}

#[tokio::test(start_paused = true)]
async fn what_was_learned_is_told_and_need_not_be_learned_again() {
    let turnaround = Duration::from_millis(60);
    let mut plan = one_device();
    let first = hear(&plan, 60, without_40(turnaround)).await;
    let (device, learned) = first.learned.last().unwrap().clone();
    assert_eq!(device, plan.devices[0].device);
    assert_eq!(learned.refused, [Block { table: Table::Holding, start: 40, count: 1 }]);
    assert!(learned.response.unwrap().abs_diff(turnaround) <= Duration::from_millis(2), "{learned:?}");

    plan.devices[0].learned = learned;
    let again = hear(&plan, 60, without_40(turnaround)).await;
    assert_eq!(again.learned, [], "nothing new");
    let exceptions = [&first, &again].map(|said| said.last().counters.exceptions);
    assert!(exceptions[0] > 1 && exceptions[1] == 1, "tried once more at the start: {exceptions:?}");
}

#[tokio::test(start_paused = true)]
async fn a_response_time_that_the_site_file_tells_is_planned_with_and_not_learned() {
    let mut plan = one_device();
    plan.devices[0].spec.turnaround = Some(Duration::from_millis(5));
    let said = hear(&plan, 60, without_40(Duration::from_millis(60))).await;
    assert!(said.learned.iter().all(|(_, learned)| learned.response.is_none()), "{:?}", said.learned);
    assert!(said.last().devices[0].response.unwrap().p50 > Duration::from_millis(50), "told all the same");
}

#[tokio::test(start_paused = true)]
async fn a_gateways_exception_is_the_silence_of_the_device_behind_it() {
    for code in [0x0A, 0x0B] {
        let gateway =
            move |question: Heard| vec![Act::Send(exception(question.unit, question.function, code))];
        let said = hear(&one_device(), 60, gateway).await;
        assert_eq!(states(&said), [DeviceState::Lost]);
        assert_eq!(said.faults(0).0, Some(ReadFault::NoAnswer));
        let counters = said.last().counters;
        assert_eq!((counters.exceptions, counters.timeouts), (0, 0));
        assert_eq!(counters.gateway_exceptions, counters.requests);
    }
}

/// Lateness is waited for up to four time-outs; this poll has less than that.
#[tokio::test(start_paused = true)]
async fn after_a_lost_answer_a_read_of_another_length_spares_the_waiting() {
    let mut asked = 0;
    let said = hear(&one_device(), 10, move |question| {
        asked += 1;
        if asked == 5 { vec![] } else { vec![Act::Send(question.answer())] }
    })
    .await;
    let counters = said.last().counters;
    assert_eq!((counters.timeouts, counters.resynchronisations, counters.retries), (1, 1, 1));
    let polls: Vec<Mono> = said.readings.iter().filter(|it| it.signal.0 == 0).map(|it| it.at.mono).collect();
    let longest = polls.windows(2).map(|pair| pair[1].since(pair[0])).max().unwrap();
    assert!(longest < SECOND + TIMEOUT * 2, "{longest:?}");
    assert!(said.faults(0).0.is_none());
}

#[tokio::test(start_paused = true)]
async fn a_busy_device_is_left_in_peace_until_the_next_period_and_is_neither_lost_nor_refusing() {
    for code in [5, 6] {
        let mut plan = one_device();
        plan.spec.retries = 10;
        let busy = move |question: Heard| vec![Act::Send(exception(question.unit, question.function, code))];
        let said = hear(&plan, 60, busy).await;
        assert_eq!((states(&said), said.last().devices[0].refused.len()), (vec![DeviceState::Degraded], 0));
        let (fault, told, good) = said.faults(0);
        assert_eq!((fault, good), (Some(ReadFault::Exception(code)), 0));
        let counters = said.last().counters;
        assert!((58..=61).contains(&counters.requests) && told >= 58, "{told}, {counters:?}");
        assert_eq!((counters.retries, counters.exceptions), (0, counters.requests));
        assert_eq!(counters.exceptions_by_code[usize::from(code)], counters.requests);
    }
}

#[tokio::test(start_paused = true)]
async fn what_a_busy_device_has_is_neither_halved_nor_taken_for_refused_and_had_when_it_is_free() {
    let free_at = Instant::now() + Duration::from_secs(30);
    let said = hear(&one_device(), 60, move |question| {
        assert_eq!((question.start, question.count), (38, 6), "asked for whole");
        let busy = Instant::now() < free_at;
        let answer = if busy { exception(question.unit, question.function, 6) } else { question.answer() };
        vec![Act::Send(answer)]
    })
    .await;
    for signal in 0..6 {
        let (fault, _, good) = said.faults(signal);
        assert!(fault == Some(ReadFault::Exception(6)) && good >= 29, "{fault:?}, {good}");
    }
}

/// It stays silent once, and is then asked something else first, to be sure whose answers come.
#[tokio::test(start_paused = true)]
async fn a_device_that_says_busy_when_it_is_asked_after_a_silence_is_not_asked_again_at_once() {
    let put = Arc::new(Mutex::new(Vec::new()));
    let heard = Arc::clone(&put);
    hear(&one_device(), 10, move |question| {
        heard.lock().unwrap().push(Instant::now());
        match heard.lock().unwrap().len() {
            5 => vec![],
            6 => vec![Act::Send(exception(question.unit, question.function, 6))],
            _ => vec![Act::Send(question.answer())],
        }
    })
    .await;
    let put = put.lock().unwrap();
    assert!(put[6] - put[5] > SECOND / 2, "{:?}", put[6] - put[5]);
}

#[tokio::test(start_paused = true)]
async fn a_devices_own_exception_is_told_by_its_code() {
    let said = hear(&one_device(), 60, |question| vec![Act::Send(exception(1, question.function, 4))]).await;
    assert_eq!(said.faults(0).0, Some(ReadFault::Exception(4)));
    assert_eq!(said.last().counters.exceptions_by_code[4], said.last().counters.requests);
    assert_eq!(states(&said), [DeviceState::Degraded]);
}

#[tokio::test(start_paused = true)]
async fn an_adapter_that_echoes_spoils_nothing() {
    let echo = |question: Heard| vec![Act::Send(question.bytes.to_vec()), Act::Send(question.answer())];
    let said = hear(&two_devices(), 60, echo).await;
    assert!(said.good() >= 58 * 4, "{}", said.good());
    let counters = said.last().counters;
    assert_eq!((counters.crc_errors, counters.foreign_frames, counters.timeouts), (0, 0, 0));
    assert_eq!(said.last().hints, [ECHO_HINT]);
}

#[tokio::test(start_paused = true)]
async fn a_line_with_many_damaged_frames_is_called_noisy() {
    for (damaged_of_ten, noisy) in [(0, false), (3, true)] {
        let mut count = 0;
        let said = hear(&one_device(), 300, move |question| {
            count += 1;
            let mut answer = question.answer();
            answer[4] ^= u8::from(count % 10 < damaged_of_ten);
            vec![Act::Send(answer)]
        })
        .await;
        assert_eq!(said.last().noisy, Some(noisy), "{damaged_of_ten} of ten");
    }
}

#[tokio::test(start_paused = true)]
async fn a_line_that_is_never_silent_gives_no_values_and_does_not_stop_the_poller() {
    let (ours, mut theirs) = duplex(64);
    let babble = tokio::spawn(async move {
        loop {
            tokio::time::sleep(Duration::from_millis(1)).await;
            if theirs.write_all(&[0x55]).await.is_err() {
                return;
            }
        }
    });
    let said = listen(&one_device(), ours, Duration::from_secs(60)).await;
    babble.abort();
    assert_eq!(said.good(), 0);
    assert!(said.of(0).contains(&Err(ReadFault::Garbled)));
    let counters = said.last().counters;
    assert_eq!((counters.requests, counters.retries), (0, 0), "no question was put");
    assert!(counters.crc_errors > 0);
    assert!(said.reports.len() >= 20, "{}", said.reports.len());
}

#[tokio::test(start_paused = true)]
async fn once_a_line_has_come_to_rest_its_devices_are_read_at_once() {
    let rest_at = Instant::now() + Duration::from_secs(120);
    let (ours, theirs) = duplex(4096);
    let (babbled, devices) = duplex(4096);
    let slave = tokio::spawn(serve(devices, |question| vec![Act::Send(question.answer())]));
    let (mut heard, mut sent) = tokio::io::split(theirs);
    let (mut answers, mut questions) = tokio::io::split(babbled);
    let through = tokio::spawn(async move { tokio::io::copy(&mut heard, &mut questions).await });
    let back = tokio::spawn(async move {
        while Instant::now() < rest_at {
            tokio::time::sleep(Duration::from_millis(1)).await;
            sent.write_all(&[0x55]).await.unwrap();
        }
        let _ = tokio::io::copy(&mut answers, &mut sent).await;
    });
    let said = listen(&two_devices(), ours, Duration::from_secs(130)).await;
    [through.abort_handle(), back.abort_handle(), slave.abort_handle()].iter().for_each(|it| it.abort());
    let good = said.of(0).iter().filter(|outcome| outcome.is_ok()).count();
    assert!(good >= 7, "{good} of ten seconds");
}

/// A line without polarization wavers when its driver lets go of it: the receiver makes a character or
/// two of that.
#[tokio::test(start_paused = true)]
async fn the_noise_between_a_question_and_a_slow_answer_is_no_damaged_answer() {
    let said = hear(&one_device(), 60, |question| {
        vec![Act::Send(vec![0x00, 0x00]), Act::Wait(TIMEOUT * 9 / 10), Act::Send(question.answer())]
    })
    .await;
    let (fault, _, good) = said.faults(0);
    assert!(fault.is_none() && good >= 58, "{fault:?}, {good} good");
    assert!(
        said.last().counters.crc_errors >= 58 && said.last().noisy != Some(true),
        "counted, but no damaged frame"
    );
}

#[tokio::test(start_paused = true)]
async fn a_patient_line_is_heard_of_between_its_retries_and_while_it_listens_at_its_start() {
    let mut plan = one_device();
    (plan.spec.response_timeout, plan.spec.retries) = (SECOND * 10, 10);
    plan.devices[0].learned.latest = SECOND * 3_600;
    let said = hear(&plan, 60, |_| vec![]).await;
    assert!(said.reports.len() >= 55, "{} while listening", said.reports.len());
    plan.devices[0].learned.latest = Duration::ZERO;
    let said = hear(&plan, 170, |_| vec![]).await;
    let timeouts: Vec<u64> = said.reports.iter().map(|report| report.counters.timeouts).collect();
    assert!(
        timeouts.last() >= Some(&5) && timeouts.windows(2).all(|pair| pair[1] <= pair[0] + 1),
        "{timeouts:?}"
    );
}

#[tokio::test(start_paused = true)]
async fn whoever_asks_for_a_line_waits_for_one_try_and_not_for_all() {
    let mut plan = one_device();
    (plan.spec.response_timeout, plan.spec.retries) = (SECOND * 10, 10);
    let (ours, theirs) = duplex(4096);
    let slave = tokio::spawn(serve(theirs, |_| vec![]));
    let (out, _outputs) = mpsc::channel(1_000);
    let (asking, loans) = mpsc::channel(1);
    let mut line = Line::new(plan, clock(), out);
    line.loans = loans;
    let ask = async {
        tokio::time::sleep(SECOND * 35).await;
        let who = Who { user: "tech".to_owned(), name: None };
        let loan = Loan { who, remark: None, until: clock()() };
        asking.send(LoanAsked { loan, answer: oneshot::channel().0 }).await.unwrap();
    };
    let ended = tokio::time::timeout(SECOND * 50, line.ask_while_open(wire(ours, SECOND * 10)));
    let (ended, ()) = tokio::join!(ended, ask);
    slave.abort();
    assert!(matches!(ended, Ok(End::Wanted)));
}

/// The borrower's questions must not be answered by what the line's own are still owed.
#[tokio::test(start_paused = true)]
async fn a_line_is_lent_once_no_late_answer_can_come_any_more() {
    let mut plan = one_device();
    plan.spec.retries = 0;
    let (out, _outputs) = mpsc::channel(1_000);
    let mut line = Line::new(plan, clock(), out);
    let (ours, theirs) = duplex(4096);
    let slave = tokio::spawn(serve(theirs, |_| vec![]));
    let _time_is_up = tokio::time::timeout(TIMEOUT * 3, line.ask_while_open(wire(ours, TIMEOUT))).await;
    slave.abort();
    let (answer, answered) = oneshot::channel::<Result<Lent, Loan>>();
    let who = Who { user: "tech".to_owned(), name: None };
    let loan = Loan { who, remark: None, until: clock()().at(Mono::from_millis(60_000)) };
    let began = Instant::now();
    let lent = async {
        let lent = answered.await.unwrap();
        assert!(lent.is_ok());
        began.elapsed()
    };
    let (ended, waited) = tokio::join!(line.lend(LoanAsked { loan, answer }), lent);
    assert!(ended.is_ok() && waited >= TIMEOUT * 2 && waited <= TIMEOUT * 5, "{waited:?}");
}

/// A borrower may have left a question behind that a slow device still answers.
#[tokio::test(start_paused = true)]
async fn a_line_that_comes_back_is_listened_to_for_as_long_as_answers_have_been_late_meanwhile() {
    let (late, mut questions) = (TIMEOUT * 2, 0);
    let mut plan = one_device();
    plan.spec.retries = 0;
    let (out, mut outputs) = mpsc::channel(1_000);
    let mut line = Line::new(plan, clock(), out);
    let (ours, theirs) = duplex(4096);
    let slave = tokio::spawn(serve(theirs, move |question| {
        questions += 1;
        let pause = if questions == 1 { TIMEOUT + late } else { Duration::ZERO };
        vec![Act::Wait(pause), Act::Send(question.answer())]
    }));
    let drain = tokio::spawn(async move { while outputs.recv().await.is_some() {} });
    let _time_is_up = tokio::time::timeout(SECOND * 30, line.ask_while_open(wire(ours, TIMEOUT))).await;
    slave.abort();
    line.was_lent = true;
    let (ours, theirs) = duplex(4096);
    let (began, asked) = (Instant::now(), Arc::new(Mutex::new(None)));
    let first = Arc::clone(&asked);
    let slave = tokio::spawn(serve(theirs, move |_| {
        first.lock().unwrap().get_or_insert_with(|| began.elapsed());
        vec![]
    }));
    let _time_is_up = tokio::time::timeout(SECOND * 30, line.ask_while_open(wire(ours, TIMEOUT))).await;
    slave.abort();
    drain.abort();
    let asked = asked.lock().unwrap().expect("the device is asked again");
    assert!(asked >= TIMEOUT + late * 3 / 4, "asked after {asked:?}");
}

#[tokio::test(start_paused = true)]
async fn a_device_is_brought_into_step_by_a_question_that_it_answers() {
    let values = vec![
        value(0, Table::Discrete, 4_000, SECOND),
        value(1, Table::Holding, 0, SECOND),
        value(2, Table::Input, 0, SECOND),
    ];
    let mut asked = 0;
    let said = hear(&serial_plan(vec![device(0, 1, values)]), 600, move |question| {
        asked += u32::from(question.function == 3);
        let lost = question.function == 2 || (question.function == 3 && asked % 50 == 0);
        if lost { vec![] } else { vec![Act::Send(question.answer())] }
    })
    .await;
    let counters = said.last().counters;
    assert!(counters.resynchronisations >= 10, "{counters:?}");
    let (fault, told, good) = said.faults(1);
    assert!(fault.is_none() && good >= 598, "{fault:?} {told} times, {good} good");
}

/// Over Serial Line V1.02, section 2.5.1.1: frames are parted by 3.5 characters of silence at least.
#[tokio::test(start_paused = true)]
async fn every_question_is_put_after_the_silence_the_standard_and_the_device_ask_for() {
    for quiet in [Duration::ZERO, Duration::from_millis(30)] {
        let mut plan = two_devices();
        for device in &mut plan.devices {
            device.spec.quiet = quiet;
            // More than the line can carry: each question follows on the answer before.
            device.signals.iter_mut().for_each(|signal| signal.poll_every = Duration::from_millis(5));
        }
        let timing = Timing::serial(SETTINGS);
        let silence = timing.t3_5() + quiet;
        let answer_ends: Arc<Mutex<Option<Instant>>> = Arc::default();
        let script = move |question: Heard| {
            let on_the_wire = timing.question() + timing.answer(Table::Holding, question.count);
            let now = Instant::now();
            let before = answer_ends.lock().unwrap().replace(now + on_the_wire);
            assert!(before.is_none_or(|before| now >= before + silence), "{before:?} {now:?}");
            vec![Act::Wait(on_the_wire), Act::Send(question.answer())]
        };
        let said = hear(&plan, 60, script).await;
        assert!(said.good() >= 58 * 4, "{}", said.good());
    }
}

#[tokio::test(start_paused = true)]
async fn response_times_are_those_of_the_device() {
    let turnaround = Duration::from_millis(40);
    let timing = Timing::serial(SETTINGS);
    let said = hear(&one_device(), 60, move |question| {
        let on_the_wire = timing.question() + timing.answer(Table::Holding, question.count);
        vec![Act::Wait(turnaround + on_the_wire), Act::Send(question.answer())]
    })
    .await;
    let median = said.last().devices[0].response.unwrap().p50;
    assert!(median.abs_diff(turnaround) <= Duration::from_millis(2), "{median:?}");
}

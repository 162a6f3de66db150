//! Ports that cannot be opened, go away and come back: whole lines on their own threads, on
//! pseudo-terminals and sockets, in real time. Each step waits for the thing itself.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::mpsc;
use tokio::sync::mpsc::error::TryRecvError;
use tokio_util::sync::CancellationToken;

use super::pty::Pty;
use super::{SETTINGS, device, expected, line_plan, slave, tcp_plan, value};
use crate::config::{Framing, Port, Rs485};
use crate::modbus::{DevicePlan, LineOutput, LinePlan, spawn};
use crate::moment::{Clock, Moment, Mono, Wall};
use crate::monitor::LineState;
use crate::signal::{ReadFault, Reading, Table};

/// How long a step may take before the test has failed.
const STEP_MAX: Duration = Duration::from_secs(30);

/// More than a line says while a test looks elsewhere.
const OUTPUTS_MAX: usize = 10_000;

struct Running {
    plan: LinePlan,
    outputs: mpsc::Receiver<LineOutput>,
    stop: CancellationToken,
    thread: Option<JoinHandle<()>>,
}

impl Running {
    fn start(plan: LinePlan) -> Running {
        let began = std::time::Instant::now();
        let clock: Clock = Arc::new(move || {
            Moment { mono: Mono::ZERO, wall: Wall::UNIX_EPOCH }.at(Mono::new(began.elapsed()))
        });
        let (out, outputs) = mpsc::channel(OUTPUTS_MAX);
        let stop = CancellationToken::new();
        let thread = Some(spawn(plan.clone(), clock, out, stop.clone()).unwrap());
        Running { plan, outputs, stop, thread }
    }

    /// Waits for an output that `wanted` says yes to; no wrong value may come meanwhile.
    fn wait_for(&mut self, what: &str, mut wanted: impl FnMut(&LineOutput) -> bool) {
        let began = std::time::Instant::now();
        while began.elapsed() < STEP_MAX {
            match self.outputs.try_recv() {
                Ok(output) => {
                    self.assert_right(&output);
                    if wanted(&output) {
                        return;
                    }
                }
                Err(TryRecvError::Empty) => std::thread::sleep(Duration::from_millis(1)),
                Err(TryRecvError::Disconnected) => panic!("the line ended while waiting for {what}"),
            }
        }
        panic!("waited in vain for {what}");
    }

    fn assert_right(&self, output: &LineOutput) {
        let LineOutput::Readings(readings) = output else { return };
        for Reading { signal, outcome, .. } in readings {
            if let Ok(raw) = outcome {
                assert_eq!(*raw, expected(&self.plan, *signal));
            }
        }
    }

    fn wait_for_values(&mut self) {
        self.wait_for("a value", |output| {
            matches!(output, LineOutput::Readings(readings) if readings.iter().any(|it| it.outcome.is_ok()))
        });
    }

    fn wait_until_down(&mut self, because: &str) {
        self.wait_for(because, |output| match output {
            LineOutput::Report(report) => {
                matches!(&report.state, LineState::Down(cause) if cause.contains(because))
            }
            LineOutput::Readings(_) | LineOutput::Learned { .. } => false,
        });
        self.wait_for("the signals to be told", |output| {
            matches!(output, LineOutput::Readings(readings)
                if readings.iter().all(|it| it.outcome == Err(ReadFault::LineDown)))
        });
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.stop.cancel();
        if let Some(thread) = self.thread.take() {
            let ended = thread.join();
            assert!(ended.is_ok() || std::thread::panicking(), "the line's thread panicked");
        }
    }
}

fn devices() -> Vec<DevicePlan> {
    let often = Duration::from_millis(20);
    vec![device(0, 1, vec![value(0, Table::Input, 3, often), value(1, Table::Discrete, 5, often)])]
}

fn serial(path: &Path) -> LinePlan {
    line_plan(Port::Serial { path: path.to_owned(), settings: SETTINGS, rs485: None }, devices())
}

/// Answers RTU questions on a stream, `limit` of them, then drops it.
fn answer_frames(mut stream: impl Read + Write, limit: usize) {
    let mut question = [0; 8];
    for _ in 0..limit {
        if stream.read_exact(&mut question).is_err() {
            return;
        }
        if stream.write_all(&answer(&question)).is_err() {
            return;
        }
    }
}

fn start(question: &[u8; 8]) -> u16 {
    u16::from_be_bytes([question[2], question[3]])
}

fn answer(question: &[u8; 8]) -> Vec<u8> {
    let count = u16::from_be_bytes([question[4], question[5]]);
    slave::answer(question[0], question[1], start(question), count)
}

#[test]
fn a_port_that_goes_away_and_comes_back_is_taken_up_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("port");
    let mut line = Running::start(serial(&path));
    line.wait_until_down("no such port");
    for _ in 0..2 {
        let pty = Pty::open();
        std::os::unix::fs::symlink(&pty.path, &path).unwrap();
        let devices = pty.devices.try_clone().unwrap();
        let stop_after = std::thread::spawn(move || answer_frames(devices, 20));
        line.wait_for_values();
        stop_after.join().unwrap();
        std::fs::remove_file(&path).unwrap();
        drop(pty);
        line.wait_until_down("no such port");
    }
}

#[test]
fn an_adapter_that_knows_nothing_of_the_kernels_rs485_mode_is_used_all_the_same_and_told_of() {
    let pty = Pty::open();
    let mut plan = serial(&pty.path);
    let (delay_before, delay_after) = (Duration::ZERO, Duration::from_millis(1));
    let wanted = Rs485 { rts_on_send: true, rts_after_send: false, delay_before, delay_after };
    if let Port::Serial { rs485, .. } = &mut plan.spec.port {
        *rs485 = Some(wanted);
    }
    let mut line = Running::start(plan);
    line.wait_for("the hint", |output| {
        matches!(output, LineOutput::Report(report)
            if report.hints.iter().any(|hint| hint.contains("switches between sending and receiving by itself")))
    });
    let devices = pty.devices.try_clone().unwrap();
    let serving = std::thread::spawn(move || answer_frames(devices, 5));
    line.wait_for_values();
    serving.join().unwrap();
}

#[test]
fn a_line_stops_while_its_port_is_missing_its_device_silent_or_nobody_listens() {
    drop(Running::start(serial(Path::new("/dev/no-such-port"))));
    let pty = Pty::open();
    let mut silent = Running::start(serial(&pty.path));
    silent.wait_for(
        "the port to be open",
        |output| matches!(output, LineOutput::Report(report) if report.state == LineState::Up),
    );
    drop(silent);
    let mut unheard = Running::start(serial(Path::new("/dev/no-such-port")));
    unheard.outputs.close();
    unheard.thread.take().unwrap().join().unwrap();
}

#[test]
fn rtu_over_tcp_goes_on_over_a_new_connection_when_the_server_hangs_up() {
    let server = TcpListener::bind("127.0.0.1:0").unwrap();
    let plan = tcp_plan(server.local_addr().unwrap(), Framing::Rtu, devices());
    let mut line = Running::start(plan);
    for _ in 0..3 {
        let (stream, _) = server.accept().unwrap();
        let serving = std::thread::spawn(move || answer_frames(stream, 10));
        line.wait_for_values();
        serving.join().unwrap();
    }
}

#[test]
fn a_device_server_that_hangs_up_on_one_silent_device_costs_the_others_nothing() {
    let server = TcpListener::bind("127.0.0.1:0").unwrap();
    let often = Duration::from_millis(20);
    let one = |index: usize| device(index, [1, 2, 3][index], vec![value(index, Table::Input, 3, often)]);
    let plan = tcp_plan(server.local_addr().unwrap(), Framing::Rtu, (0..3).map(one).collect());
    let _serving = std::thread::spawn(move || {
        for mut stream in server.incoming().map_while(Result::ok) {
            let mut question = [0; 8];
            while stream.read_exact(&mut question).is_ok() && question[0] != 2 {
                stream.write_all(&answer(&question)).unwrap();
            }
        }
    });
    let mut line = Running::start(plan);
    for _ in 0..20 {
        line.wait_for("the device behind the silent one", |output| {
            matches!(output, LineOutput::Readings(readings)
                if readings.iter().any(|it| it.signal.0 == 2 && it.outcome.is_ok()))
        });
    }
    line.wait_for("the silent device to be told", |output| {
        matches!(output, LineOutput::Readings(readings)
            if readings.iter().any(|it| it.signal.0 == 1 && it.outcome == Err(ReadFault::NoAnswer)))
    });
}

/// Reads questions and answers them; returns the first for which `wanted` holds, unanswered.
fn answer_until(stream: &mut TcpStream, wanted: impl Fn(u16) -> bool) -> [u8; 8] {
    loop {
        let mut question = [0; 8];
        stream.read_exact(&mut question).unwrap();
        if wanted(start(&question)) {
            return question;
        }
        stream.write_all(&answer(&question)).unwrap();
    }
}

#[test]
fn the_answer_to_a_question_put_on_a_lost_connection_is_never_taken_for_the_next_one() {
    let often = Duration::from_millis(20);
    let apart = [value(0, Table::Input, 3, often), value(1, Table::Input, 900, often * 2)];
    let server = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut plan = tcp_plan(server.local_addr().unwrap(), Framing::Rtu, vec![device(0, 1, apart.to_vec())]);
    // An answer counts as late for four times as long: more than this server ever hesitates.
    plan.spec.response_timeout = Duration::from_secs(1);
    let mut line = Running::start(plan);
    let (mut lost, _) = server.accept().unwrap();
    let unanswered = answer_until(&mut lost, |start| start == 900);
    drop(lost);
    let serving = std::thread::spawn(move || {
        // A device server hands on what its serial side says to whoever is connected now.
        let (mut stream, _) = server.accept().unwrap();
        stream.set_read_timeout(Some(Duration::from_millis(200))).unwrap();
        let _a_question_or_none_for_now = stream.peek(&mut [0; 8]);
        stream.set_read_timeout(None).unwrap();
        stream.write_all(&answer(&unanswered)).unwrap();
        answer_frames(stream, 50);
    });
    for _ in 0..20 {
        line.wait_for_values();
    }
    drop(line);
    serving.join().unwrap();
}

#[test]
fn a_connection_that_cannot_be_made_is_said_to_be_so_and_tried_again() {
    let address = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let mut line = Running::start(tcp_plan(address, Framing::Tcp, devices()));
    line.wait_until_down("cannot connect");
    let server = TcpListener::bind(address).unwrap();
    let (stream, _) = server.accept().unwrap();
    let serving = std::thread::spawn(move || answer_numbered(stream, |_| Numbered::Answer, 20));
    line.wait_for_values();
    drop(line);
    serving.join().unwrap();
}

/// What a Modbus TCP server does about a question.
enum Numbered {
    Answer,
    AnswerTo(u16),
    Nothing,
    HangUp,
}

/// Answers Modbus TCP questions; tells how many it heard.
fn answer_numbered(mut stream: TcpStream, act: impl Fn(usize) -> Numbered, limit: usize) -> usize {
    let mut question = [0; 12];
    for count in 0..limit {
        if stream.read_exact(&mut question).is_err() {
            return count;
        }
        let [number_high, number_low, .., unit, function, start_high, start_low, count_high, count_low] =
            question;
        let number = match act(count) {
            Numbered::Answer => u16::from_be_bytes([number_high, number_low]),
            Numbered::AnswerTo(other) => other,
            Numbered::Nothing => continue,
            Numbered::HangUp => return count + 1,
        };
        let start = u16::from_be_bytes([start_high, start_low]);
        let mut pdu = slave::answer(unit, function, start, u16::from_be_bytes([count_high, count_low]));
        pdu.truncate(pdu.len() - 2);
        let length = u16::try_from(pdu.len()).unwrap();
        let header = [number.to_be_bytes(), [0, 0], length.to_be_bytes()].concat();
        if stream.write_all(&[header, pdu].concat()).is_err() {
            return count;
        }
    }
    limit
}

#[test]
fn a_device_behind_a_gateway_is_given_the_quiet_it_needs() {
    let quiet = Duration::from_millis(40);
    let mut quiet_devices = devices();
    quiet_devices[0].spec.quiet = quiet;
    let server = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut line = Running::start(tcp_plan(server.local_addr().unwrap(), Framing::Tcp, quiet_devices));
    let (stream, _) = server.accept().unwrap();
    let last = std::cell::Cell::new(None);
    let act = move |_| {
        let before: Option<std::time::Instant> = last.replace(Some(std::time::Instant::now()));
        assert!(before.is_none_or(|before| before.elapsed() >= quiet), "{before:?}");
        Numbered::Answer
    };
    let serving = std::thread::spawn(move || answer_numbered(stream, act, 10));
    for _ in 0..5 {
        line.wait_for_values();
    }
    drop(line);
    serving.join().unwrap();
}

/// Each fault ends the connection; the next question comes on a new one.
#[test]
fn modbus_tcp_connects_anew_after_any_fault() {
    let server = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut line = Running::start(tcp_plan(server.local_addr().unwrap(), Framing::Tcp, devices()));
    let faults: [fn() -> Numbered; 3] =
        [|| Numbered::Nothing, || Numbered::AnswerTo(0x7777), || Numbered::HangUp];
    for fault in faults {
        let (stream, _) = server.accept().unwrap();
        let act = move |count| if count < 5 { Numbered::Answer } else { fault() };
        let serving = std::thread::spawn(move || answer_numbered(stream, act, 100));
        line.wait_for_values();
        assert_eq!(serving.join().unwrap(), 6, "nothing is asked after the fault");
    }
    line.wait_for(
        "a report",
        |output| matches!(output, LineOutput::Report(report) if report.state == LineState::Up),
    );
}

//! Single questions on pseudo-terminals and sockets, in real time.

use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::thread::JoinHandle;
use std::time::Duration;

use super::pty::Pty;
use super::slave::{self, Heard, exception, sealed};
use super::{SETTINGS, TIMEOUT, line_plan};
use crate::config::{Framing, LineSpec, Port};
use crate::modbus::plan::Block;
use crate::modbus::{Reply, VisitError, Visitor};
use crate::signal::Table;

fn spec(path: &Path) -> LineSpec {
    let port = Port::Serial { path: path.to_owned(), settings: SETTINGS, rs485: None };
    line_plan(port, Vec::new()).spec
}

fn block(table: Table, start: u16, count: u16) -> Block {
    Block { table, start, count }
}

/// Answers so many questions as `script` says: what to send, and how long to wait before.
fn serve(
    mut line: impl Read + Write + Send + 'static,
    questions: usize,
    script: impl Fn(usize, Heard) -> (Duration, Vec<u8>) + Send + 'static,
) -> JoinHandle<()> {
    std::thread::spawn(move || {
        let mut bytes = [0; 8];
        for number in 0..questions {
            line.read_exact(&mut bytes).unwrap();
            let [unit, function, start_high, start_low, count_high, count_low, ..] = bytes;
            let start = u16::from_be_bytes([start_high, start_low]);
            let count = u16::from_be_bytes([count_high, count_low]);
            let (wait, answer) = script(number, Heard { unit, function, start, count, bytes });
            std::thread::sleep(wait);
            line.write_all(&answer).unwrap();
        }
    })
}

#[test]
fn a_visitor_reads_registers_and_bits_and_tells_exceptions_and_silence() {
    let pty = Pty::open();
    let devices = pty.devices.try_clone().unwrap();
    let serving = serve(devices, 4, |_, question| match (question.unit, question.start) {
        (1, 900) => (Duration::ZERO, exception(1, question.function, 2)),
        (1, _) => (Duration::ZERO, question.answer()),
        _ => (Duration::ZERO, Vec::new()),
    });
    let mut visitor = Visitor::open(&spec(&pty.path)).unwrap();
    let mut ask = |unit, block| visitor.ask(unit, block).unwrap().reply;
    let words = [7, 8].map(|address| slave::word(1, 4, address));
    assert_eq!(ask(1, block(Table::Input, 7, 2)), Reply::Registers(words.to_vec()));
    let bits: Vec<bool> = (3..13).map(|address| slave::bit(1, 2, address)).collect();
    assert_eq!(ask(1, block(Table::Discrete, 3, 10)), Reply::Bits(bits));
    assert_eq!(ask(1, block(Table::Holding, 900, 1)), Reply::Exception(2));
    assert_eq!(ask(2, block(Table::Input, 7, 2)), Reply::Silence);
    serving.join().unwrap();
}

/// What stands in the register is the number of the question.
#[test]
fn a_visitor_never_takes_a_late_answer_for_the_next_one() {
    let pty = Pty::open();
    let serving = serve(pty.devices.try_clone().unwrap(), 2, |number, _| {
        let late = if number == 0 { TIMEOUT * 2 } else { Duration::ZERO };
        (late, sealed(&[1, 4, 2, 0, u8::try_from(number).unwrap()]))
    });
    let mut visitor = Visitor::open(&spec(&pty.path)).unwrap();
    let register = block(Table::Input, 0, 1);
    assert_eq!(visitor.ask(1, register).unwrap().reply, Reply::Silence);
    assert_eq!(visitor.ask(1, register).unwrap().reply, Reply::Registers(vec![1]));
    serving.join().unwrap();
}

#[test]
fn a_visitor_tells_of_an_adapter_that_echoes() {
    let pty = Pty::open();
    let serving = serve(pty.devices.try_clone().unwrap(), 1, |_, question| {
        (Duration::ZERO, [&question.bytes[..], &question.answer()].concat())
    });
    let mut visitor = Visitor::open(&spec(&pty.path)).unwrap();
    let echo_told = |visitor: &Visitor| visitor.hints().iter().any(|hint| hint.contains("echo"));
    assert!(!echo_told(&visitor));
    assert!(matches!(visitor.ask(1, block(Table::Input, 7, 2)).unwrap().reply, Reply::Registers(_)));
    assert!(echo_told(&visitor));
    serving.join().unwrap();
}

#[test]
fn a_visitor_reads_over_modbus_tcp() {
    let server = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = server.local_addr().unwrap().to_string();
    let serving = std::thread::spawn(move || {
        let (mut stream, _) = server.accept().unwrap();
        let mut question = [0; 12];
        stream.read_exact(&mut question).unwrap();
        let [high, low, ..] = question;
        stream.write_all(&[high, low, 0, 0, 0, 5, 255, 3, 2, 0x12, 0x34]).unwrap();
    });
    let spec = line_plan(Port::Tcp { address, framing: Framing::Tcp, settings: None }, Vec::new()).spec;
    let mut visitor = Visitor::open(&spec).unwrap();
    assert_eq!(visitor.ask(255, block(Table::Holding, 9, 1)).unwrap().reply, Reply::Registers(vec![0x1234]));
    serving.join().unwrap();
}

#[test]
fn what_one_question_cannot_ask_for_is_refused_in_words() {
    let pty = Pty::open();
    let mut visitor = Visitor::open(&spec(&pty.path)).unwrap();
    for wrong in [
        block(Table::Input, 0, 0),
        block(Table::Input, 0, 126),
        block(Table::Coil, 0, 2001),
        block(Table::Input, 65_535, 2),
    ] {
        let error = visitor.ask(1, wrong).unwrap_err();
        assert!(matches!(&error, VisitError::NoSuchBlock(block) if *block == wrong), "{error}");
    }
    let error = visitor.ask(1, block(Table::Input, 65_535, 2)).unwrap_err().to_string();
    assert_eq!(
        error,
        "one question cannot ask for 2 of the input table from 65535 on; 125 at most, up to 65535"
    );
    drop(visitor);
    let error = Visitor::open(&spec(Path::new("/dev/no-such-port"))).err().unwrap().to_string();
    assert!(error.contains("no such port"), "{error}");
}

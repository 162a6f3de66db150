//! A device that knows one question and its answer, as bytes.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};

use siskin::config::Framing;

/// A question and its answer.
#[derive(Clone)]
pub struct Conversation {
    question: Vec<u8>,
    answer: Vec<u8>,
}

/// RTU frames: unit, PDU and CRC, in hex as the standard prints them.
pub fn rtu(unit: u8, question: (&str, &str), answer: (&str, &str)) -> Conversation {
    let frame = |(pdu, crc): (&str, &str)| [&[unit][..], &bytes(pdu), &bytes(crc)].concat();
    Conversation { question: frame(question), answer: frame(answer) }
}

/// Modbus TCP frames, in hex. The transaction number is the client's to choose, and is echoed.
pub fn tcp(question: &str, answer: &str) -> Conversation {
    Conversation { question: bytes(question), answer: bytes(answer) }
}

fn bytes(hex: &str) -> Vec<u8> {
    hex.split(' ').map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

/// A device on a TCP port. It lives as long as its one connection.
pub struct Device {
    /// Where it listens.
    pub address: String,
    unknown: Arc<Mutex<Vec<String>>>,
}

impl Device {
    /// Listens, and answers the one question it knows.
    pub fn start(framing: Framing, known: Conversation) -> Device {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let unknown = Arc::default();
        let seen: Arc<Mutex<Vec<String>>> = Arc::clone(&unknown);
        std::thread::spawn(move || {
            if let Ok((stream, _)) = listener.accept() {
                answer(stream, framing, &known, &seen);
            }
        });
        Device { address, unknown }
    }

    /// What was asked that it does not know.
    pub fn unknown_questions(&self) -> Vec<String> {
        self.unknown.lock().unwrap().clone()
    }
}

fn answer(mut stream: TcpStream, framing: Framing, known: &Conversation, unknown: &Mutex<Vec<String>>) {
    /// Bytes of the transaction number at the front of a Modbus TCP frame.
    const TRANSACTION: usize = 2;
    let skipped = if framing == Framing::Tcp { TRANSACTION } else { 0 };
    let mut asked = vec![0; known.question.len()];
    while stream.read_exact(&mut asked).is_ok() {
        if asked[skipped..] != known.question[skipped..] {
            unknown.lock().unwrap().push(format!("{asked:02X?}"));
            continue;
        }
        let answer = [&asked[..skipped], &known.answer[skipped..]].concat();
        if stream.write_all(&answer).is_err() {
            return;
        }
    }
}

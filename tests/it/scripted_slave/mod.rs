//! A Modbus slave that misbehaves byte by byte, from a script and a seed.
//!
//! Every register holds a number made of its unit, function and address, so that an answer taken for
//! the wrong question shows. It shares no code with siskin: framing and CRC are written out again.
//! A fault is drawn for each request; what was drawn is counted, so that a test can be sure that it
//! met what it is about.

mod frame;
mod wire;

use std::collections::{BTreeMap, HashMap};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use siskin::config::Port;

use frame::Request;
pub use frame::{Framing, crc};
use wire::Wire;

/// What can go wrong with one answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Fault {
    /// Comes after this long, and holds up all later answers of its unit.
    Late(Duration),
    /// One bit is flipped on the way.
    FlippedBit,
    /// Comes from another unit, whole and in time.
    ForeignUnit,
    /// Answers another function, whole and in time.
    OtherFunction,
    /// Holds one register more than was asked for, with a good CRC.
    OneRegisterMore,
    /// Holds one register less than was asked for, with a good CRC.
    OneRegisterLess,
    /// The adapter sends the question back before the answer.
    Echo,
    /// A few random bytes stand before the answer.
    NoiseBefore,
    /// The answer comes twice in a row.
    Twice,
    /// Only the first half comes.
    CutShort,
    /// Nothing comes.
    Silence,
}

/// Which faults, each this often in a thousand answers.
pub type Script = Vec<(Fault, u32)>;

/// The number in a register. Different for any two registers that the tests ask for.
pub fn register(unit: u8, function: u8, address: u16) -> u16 {
    let product = |factor: u32, of: u16| u32::from(of) * factor;
    let mixed = product(40_503, unit.into()) ^ product(9_973, function.into()) ^ product(7_919, address);
    (mixed ^ mixed >> 16) as u16
}

/// Registers that hold something else, by unit, function and address.
type Held = Arc<Mutex<HashMap<(u8, u8, u16), u16>>>;

/// A slave on a thread of its own; it ends when dropped.
pub struct Slave {
    /// Where siskin finds it.
    pub port: Port,
    held: Held,
    faults: Arc<Mutex<HashMap<Fault, u32>>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Slave {
    /// Answers RTU frames on a pseudo-terminal.
    pub fn on_a_terminal(script: Script, seed: u64) -> Slave {
        let (wire, port) = Wire::terminal();
        Slave::start(wire, port, Framing::Rtu, script, seed)
    }

    /// Answers on a TCP port.
    pub fn on_tcp(framing: Framing, script: Script, seed: u64) -> Slave {
        let (wire, port) = Wire::tcp(framing);
        Slave::start(wire, port, framing, script, seed)
    }

    fn start(wire: Wire, port: Port, framing: Framing, script: Script, seed: u64) -> Slave {
        let stop = Arc::new(AtomicBool::new(false));
        let held = Held::default();
        let faults = Arc::new(Mutex::new(HashMap::new()));
        let player = Player {
            framing,
            script,
            random: Random(seed),
            busy_until: BTreeMap::new(),
            due: Vec::new(),
            held: Arc::clone(&held),
            faults: Arc::clone(&faults),
        };
        let stopped = Arc::clone(&stop);
        let thread = std::thread::spawn(move || player.play(wire, &stopped));
        Slave { port, held, faults, stop, thread: Some(thread) }
    }

    /// Has an input register hold this number from now on.
    pub fn set_input(&self, unit: u8, address: u16, number: u16) {
        self.held.lock().unwrap().insert((unit, 4, address), number);
    }

    /// How often a fault has been played so far.
    pub fn played(&self, fault: Fault) -> u32 {
        self.faults.lock().unwrap().get(&fault).copied().unwrap_or(0)
    }
}

impl Drop for Slave {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// A small generator of pseudo-random numbers (SplitMix64), so that a failing run can be repeated.
pub struct Random(pub u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (self.0 ^ self.0 >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ mixed >> 31
    }

    /// A time shorter than `bound`, to the microsecond.
    pub fn duration_below(&mut self, bound: Duration) -> Duration {
        Duration::from_micros(self.next() % bound.as_micros() as u64)
    }

    /// A number less than `bound`.
    pub fn below(&mut self, bound: usize) -> usize {
        (self.next() % bound as u64) as usize
    }
}

struct Player {
    framing: Framing,
    script: Script,
    random: Random,
    /// Until when a unit is still at an earlier question.
    busy_until: BTreeMap<u8, Instant>,
    /// Bytes to be sent, and when.
    due: Vec<(Instant, Vec<u8>)>,
    held: Held,
    faults: Arc<Mutex<HashMap<Fault, u32>>>,
}

impl Player {
    fn play(mut self, mut wire: Wire, stop: &AtomicBool) {
        /// So that the end of a test is noticed.
        const PATIENCE: Duration = Duration::from_millis(20);
        let mut input = Vec::new();
        while !stop.load(Ordering::Relaxed) {
            let wait = self.due.iter().map(|(at, _)| at.saturating_duration_since(Instant::now())).min();
            wire.read_into(&mut input, wait.map_or(PATIENCE, |wait| wait.min(PATIENCE)));
            while let Some(request) = self.framing.take_request(&mut input) {
                self.answer(&request);
            }
            let now = Instant::now();
            self.due.sort_by_key(|(at, _)| *at);
            let later = self.due.iter().position(|(at, _)| *at > now).unwrap_or(self.due.len());
            for (_, bytes) in self.due.drain(..later) {
                wire.write(&bytes);
            }
        }
    }

    fn answer(&mut self, request: &Request) {
        let fault = self.draw();
        let wait = match fault {
            Some(Fault::Late(wait)) => wait,
            _ => Duration::ZERO,
        };
        let free = self.busy_until.get(&request.unit).copied().unwrap_or_else(Instant::now);
        let at = free.max(Instant::now()) + wait;
        self.busy_until.insert(request.unit, at);
        let bytes = self.bytes(request, fault);
        self.due.push((at, bytes));
    }

    fn draw(&mut self) -> Option<Fault> {
        let mut drawn = self.random.below(1000) as u32;
        for (fault, per_mille) in &self.script {
            if drawn < *per_mille {
                *self.faults.lock().unwrap().entry(*fault).or_default() += 1;
                return Some(*fault);
            }
            drawn -= per_mille;
        }
        None
    }

    fn bytes(&mut self, request: &Request, fault: Option<Fault>) -> Vec<u8> {
        let whole = |unit, function, count| {
            let held = self.held.lock().unwrap();
            let word = |address| {
                held.get(&(unit, function, address)).copied().unwrap_or(register(unit, function, address))
            };
            let words = (0..count).map(|at| word(request.address.wrapping_add(at)));
            self.framing.response(request, unit, function, words)
        };
        let honest = whole(request.unit, request.function, request.count);
        match fault {
            None | Some(Fault::Late(_)) => honest,
            Some(Fault::Silence) => Vec::new(),
            Some(Fault::ForeignUnit) => whole(request.unit ^ 0x08, request.function, request.count),
            Some(Fault::OtherFunction) => whole(request.unit, 7 - request.function, request.count),
            Some(Fault::OneRegisterMore) => whole(request.unit, request.function, request.count + 1),
            Some(Fault::OneRegisterLess) => whole(request.unit, request.function, request.count - 1),
            Some(Fault::Echo) => [&request.bytes[..], &honest].concat(),
            Some(Fault::Twice) => [&honest[..], &honest].concat(),
            Some(Fault::CutShort) => honest[..honest.len() / 2].to_vec(),
            Some(Fault::FlippedBit) => {
                let bit = self.random.below(honest.len() * 8);
                let mut damaged = honest;
                damaged[bit / 8] ^= 1 << (bit % 8);
                damaged
            }
            Some(Fault::NoiseBefore) => {
                let noise: Vec<u8> = (0..=self.random.below(5)).map(|_| self.random.next() as u8).collect();
                [noise, honest].concat()
            }
        }
    }
}

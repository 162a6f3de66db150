//! A simulated line that others can reach: on a pseudo-terminal, or on a TCP port.
//!
//! One thread attends each connection: it waits for bytes or for the next due time, and lets the
//! pure wire decide. It is to be as punctual as a wire: the system may wake it late, so it is awake
//! a little early where something falls due or a question may come, and looks until then. Nothing
//! here knows what a frame is.

use std::io::{self, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::num::NonZeroU64;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rustix::event::{EventfdFlags, PollFd, PollFlags, Timespec, eventfd, poll};

use crate::moment::Mono;
use crate::simulate::pty::Pty;
use crate::simulate::{Asker, Counts, Line, Pace, RtuWire, TcpWire};

/// So many callers at once at most on a TCP port.
const CONNECTIONS_MAX: usize = 8;

/// How often it is looked whether somebody has opened the pseudo-terminal (again).
const REOPEN_POLL: Duration = Duration::from_millis(5);

/// The system may wake a sleeping thread later by this much.
const WAKING: Duration = Duration::from_micros(150);

/// For so long after the wire may be asked again it is watched for the question without sleeping: a
/// prompt asker is not to pay for the simulator's own waking up.
const WATCH: Duration = Duration::from_millis(1);

/// One end of a connection, as the devices see it: pure, so that it can be tested without any IO.
pub trait Wire {
    /// The asker's port is set so. What does not mind need not listen.
    fn tune(&mut self, _asker: Asker) {}
    /// The asker has sent these bytes.
    fn hear(&mut self, bytes: &[u8], now: Mono, line: &mut Line);
    /// When something is due next.
    fn next_due(&self) -> Option<Mono>;
    /// From when on a question may come whose beginning is to be known exactly; `None` where that
    /// does not matter.
    fn askable_from(&self) -> Option<Mono>;
    /// The bytes that are through by now.
    fn take_due(&mut self, now: Mono, line: &mut Line) -> Vec<u8>;
    /// Whether the connection is to be closed.
    fn hung_up(&self) -> bool;
}

/// Why a simulated line cannot be set up.
#[derive(Debug, thiserror::Error)]
pub enum BusError {
    /// No pseudo-terminal to be had.
    #[error("cannot make a pseudo-terminal: {0}")]
    Pty(io::Error),
    /// The TCP address cannot be used.
    #[error("cannot listen on {address}: {cause}; choose another port")]
    Listen {
        /// Which one.
        address: SocketAddr,
        /// What the system said.
        cause: io::Error,
    },
    /// No thread or descriptor left.
    #[error("cannot start the simulated line: {0}")]
    Start(io::Error),
}

/// Where a simulated line can be reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum BusPort {
    /// A pseudo-terminal, to be opened like a serial port.
    Serial(PathBuf),
    /// A TCP address.
    Tcp(SocketAddr),
}

/// What travels on a TCP port.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BusFraming {
    /// RTU frames, at this pace behind the device server.
    Rtu(Pace),
    /// Modbus TCP.
    Tcp,
}

/// A running simulated line; it ends when this is dropped.
#[derive(Debug)]
pub struct Bus {
    port: BusPort,
    shared: Shared,
    stop: Arc<OwnedFd>,
    attendant: Option<JoinHandle<()>>,
}

/// What the threads of a bus have in common.
#[derive(Debug, Clone)]
struct Shared {
    line: Arc<Mutex<Line>>,
    epoch: Instant,
}

impl Bus {
    /// A serial line at this pace on a new pseudo-terminal. `epoch` is the zero of its time.
    pub fn on_pty(line: Line, pace: Pace, epoch: Instant) -> Result<Bus, BusError> {
        let pty = Pty::open(line.baud()).map_err(BusError::Pty)?;
        let port = BusPort::Serial(pty.path().to_owned());
        Bus::start(port, line, epoch, move |shared, stop| attend_pty(&pty, pace, shared, stop))
    }

    /// A line on a TCP address; port 0 = any free one. `epoch` is the zero of its time.
    pub fn on_tcp(
        line: Line,
        address: SocketAddr,
        framing: BusFraming,
        epoch: Instant,
    ) -> Result<Bus, BusError> {
        let failed = |cause| BusError::Listen { address, cause };
        let listener = TcpListener::bind(address).map_err(failed)?;
        listener.set_nonblocking(true).map_err(failed)?;
        let port = BusPort::Tcp(listener.local_addr().map_err(failed)?);
        Bus::start(port, line, epoch, move |shared, stop| attend_listener(&listener, framing, shared, stop))
    }

    fn start(
        port: BusPort,
        line: Line,
        epoch: Instant,
        attend: impl FnOnce(&Shared, &Arc<OwnedFd>) + Send + 'static,
    ) -> Result<Bus, BusError> {
        let failed = |cause: rustix::io::Errno| BusError::Start(cause.into());
        let stop = Arc::new(eventfd(0, EventfdFlags::CLOEXEC).map_err(failed)?);
        let shared = Shared { line: Arc::new(Mutex::new(line)), epoch };
        let ends = (shared.clone(), Arc::clone(&stop));
        let attendant = std::thread::Builder::new()
            .name("simulated line".to_owned())
            .spawn(move || attend(&ends.0, &ends.1))
            .map_err(BusError::Start)?;
        Ok(Bus { port, shared, stop, attendant: Some(attendant) })
    }

    /// Where it can be reached.
    pub fn port(&self) -> &BusPort {
        &self.port
    }

    /// What it has seen so far.
    pub fn counts(&self) -> Counts {
        self.with_line(|line, _| line.counts())
    }

    /// Looks at, or changes, the devices and the fault plan while the line runs.
    pub fn with_line<T>(&self, change: impl FnOnce(&mut Line, Mono) -> T) -> T {
        self.shared.with_line(change)
    }
}

impl Drop for Bus {
    fn drop(&mut self) {
        // An eventfd takes any write of eight bytes; every thread of the bus polls it.
        let _ = rustix::io::write(&*self.stop, &1_u64.to_ne_bytes());
        if let Some(attendant) = self.attendant.take() {
            let _ = attendant.join();
        }
    }
}

impl Shared {
    fn now(&self) -> Mono {
        Mono::new(self.epoch.elapsed())
    }

    fn with_line<T>(&self, change: impl FnOnce(&mut Line, Mono) -> T) -> T {
        let mut line = self.line.lock().unwrap_or_else(PoisonError::into_inner);
        change(&mut line, self.now())
    }
}

/// What ended a wait.
enum Woken {
    Stop,
    Ready,
    Due,
}

/// Waits until `port` has something to read, the time has passed, or the bus is to stop.
fn wait(port: Option<BorrowedFd<'_>>, stop: &OwnedFd, timeout: Option<Duration>) -> Woken {
    let timeout = timeout.and_then(|timeout| Timespec::try_from(timeout).ok());
    let mut waiting = vec![PollFd::new(stop, PollFlags::IN)];
    waiting.extend(port.map(|port| PollFd::from_borrowed_fd(port, PollFlags::IN)));
    match poll(&mut waiting, timeout.as_ref()) {
        Err(rustix::io::Errno::INTR) | Ok(0) => Woken::Due,
        Err(_) => Woken::Stop,
        Ok(_) => {
            let mut woken = waiting.iter().map(PollFd::revents);
            match (woken.next(), woken.next()) {
                (Some(stop), _) if !stop.is_empty() => Woken::Stop,
                (_, Some(port)) if !port.is_empty() => Woken::Ready,
                _ => Woken::Due,
            }
        }
    }
}

/// Attends a pseudo-terminal until the bus stops, however often it is opened and closed.
fn attend_pty(pty: &Pty, pace: Pace, shared: &Shared, stop: &Arc<OwnedFd>) {
    loop {
        match attend(pty, RtuWire::serial(pace), shared, stop, || pty.asker()) {
            End::Stopped => return,
            End::Gone => {
                if let Woken::Stop = wait(None, stop, Some(REOPEN_POLL)) {
                    return;
                }
            }
        }
    }
}

/// Takes callers on a TCP port, each with a thread of its own, until the bus stops.
fn attend_listener(listener: &TcpListener, framing: BusFraming, shared: &Shared, stop: &Arc<OwnedFd>) {
    let mut callers: Vec<JoinHandle<()>> = Vec::new();
    while !matches!(wait(Some(listener.as_fd()), stop, None), Woken::Stop) {
        callers.retain(|caller| !caller.is_finished());
        let Ok((stream, _)) = listener.accept() else {
            // Out of descriptors, most likely: let some go before asking again.
            let _ = wait(None, stop, Some(REOPEN_POLL));
            continue;
        };
        if callers.len() >= CONNECTIONS_MAX || stream.set_nonblocking(true).is_err() {
            continue;
        }
        let _ = stream.set_nodelay(true);
        let (shared, stop) = (shared.clone(), Arc::clone(stop));
        callers.push(std::thread::spawn(move || attend_caller(&stream, framing, &shared, &stop)));
    }
    for caller in callers {
        let _ = caller.join();
    }
}

fn attend_caller(stream: &TcpStream, framing: BusFraming, shared: &Shared, stop: &OwnedFd) {
    match framing {
        BusFraming::Rtu(pace) => attend(stream, RtuWire::behind_device_server(pace), shared, stop, || None),
        BusFraming::Tcp => attend(stream, TcpWire::new(), shared, stop, || None),
    };
}

/// Asks the system not to gather this thread's timers with others' (`man 2 PR_SET_TIMERSLACK`); where
/// it refuses, the thread is woken a little later.
fn wake_promptly() {
    let _ = rustix::thread::set_current_timer_slack(NonZeroU64::new(1));
}

/// Why a connection is no longer attended.
enum End {
    Stopped,
    Gone,
}

/// How long the attendant may sleep at `now`; `None` = until bytes arrive.
fn rest(wire: &impl Wire, now: Mono) -> Option<Duration> {
    let watched = wire.askable_from().filter(|from| now < *from + WATCH);
    let next = wire.next_due().into_iter().chain(watched).min()?;
    Some(next.since(now).saturating_sub(WAKING))
}

/// Attends one connection. Bytes that the asker does not take in time are lost, as on a wire.
fn attend<P: AsFd>(
    port: &P,
    mut wire: impl Wire,
    shared: &Shared,
    stop: &OwnedFd,
    asker: impl Fn() -> Option<Asker>,
) -> End
where
    for<'a> &'a P: Read + Write,
{
    let mut buffer = [0; 512];
    wake_promptly();
    loop {
        match wait(Some(port.as_fd()), stop, rest(&wire, shared.now())) {
            Woken::Stop => return End::Stopped,
            Woken::Due => {}
            Woken::Ready => match (&*port).read(&mut buffer) {
                Ok(0) => return End::Gone,
                Ok(count) => {
                    let heard = buffer.get(..count).unwrap_or_default();
                    if let Some(asker) = asker() {
                        wire.tune(asker);
                    }
                    shared.with_line(|line, now| wire.hear(heard, now, line));
                }
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
                Err(_) => return End::Gone,
            },
        }
        // The time is taken before the bytes are written: the asker cannot have seen them earlier.
        let due = shared.with_line(|line, now| wire.take_due(now, line));
        if wire.hung_up() {
            return End::Gone;
        }
        if !due.is_empty() {
            let _ = (&*port).write(&due);
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first thing that is not as it should be")]
mod tests {
    use std::fs::{File, OpenOptions};

    use super::*;
    use crate::signal::Table;
    use crate::simulate::{Device, Fault, Rule};

    const QUESTION: [u8; 8] = [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87];
    const ANSWER: [u8; 11] = [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0xC8, 0xBA];

    fn line() -> Line {
        Line::new(vec![Device::new(0x11).with(Table::Holding, 107, &[555, 0, 100])], 1)
    }

    fn on_pty(pace: Pace) -> Bus {
        Bus::on_pty(line(), pace, Instant::now()).unwrap()
    }

    fn open(bus: &Bus) -> File {
        let BusPort::Serial(path) = bus.port() else { panic!("a serial bus has a path") };
        OpenOptions::new().read(true).write(true).open(path).unwrap()
    }

    fn connect(framing: BusFraming) -> (Bus, TcpStream) {
        let bus = Bus::on_tcp(line(), "127.0.0.1:0".parse().unwrap(), framing, Instant::now()).unwrap();
        let BusPort::Tcp(address) = *bus.port() else { panic!("a TCP bus has an address") };
        (bus, TcpStream::connect(address).unwrap())
    }

    fn ask(mut port: impl Read + Write, question: &[u8], answer_bytes: usize) -> Vec<u8> {
        port.write_all(question).unwrap();
        let mut answer = vec![0; answer_bytes];
        port.read_exact(&mut answer).unwrap();
        answer
    }

    #[test]
    fn a_pseudo_terminal_carries_question_and_answer() {
        let bus = on_pty(Pace::of(115_200, 10));
        assert_eq!(ask(&open(&bus), &QUESTION, 11), ANSWER);
        let counts = bus.counts();
        assert_eq!((counts.questions, counts.answers, counts.short_gaps), (1, 1, 0));
    }

    #[test]
    fn a_pseudo_terminal_may_be_closed_and_opened_again() {
        let bus = on_pty(Pace { silence: Duration::ZERO, ..Pace::UNPACED });
        for _ in 0..3 {
            assert_eq!(ask(&open(&bus), &QUESTION, 11), ANSWER);
        }
        assert_eq!(bus.counts().answers, 3);
    }

    #[test]
    fn a_question_right_after_an_answer_breaks_the_silence_and_gets_none() {
        let bus = on_pty(Pace::of(1200, 10));
        let mut port = open(&bus);
        // The first question is answered; on a busy machine the next may come late enough as well.
        for answers in 0.. {
            port.write_all(&QUESTION).unwrap();
            while bus.counts().short_gaps == 0 && bus.counts().answers == answers {
                std::thread::yield_now();
            }
            if bus.counts().short_gaps == 1 {
                assert_eq!(bus.counts().answers, answers);
                break;
            }
            port.read_exact(&mut [0; 11]).unwrap();
        }
    }

    #[test]
    fn a_device_server_and_a_tcp_device_answer_on_sockets() {
        let (bus, stream) = connect(BusFraming::Rtu(Pace::UNPACED));
        assert_eq!(ask(&stream, &QUESTION, 11), ANSWER);
        assert_eq!(bus.counts().answers, 1);

        let (bus, stream) = connect(BusFraming::Tcp);
        let question = [0, 1, 0, 0, 0, 6, 0x11, 3, 0, 0x6B, 0, 3];
        assert_eq!(ask(&stream, &question, 15), [0, 1, 0, 0, 0, 9, 0x11, 3, 6, 2, 0x2B, 0, 0, 0, 0x64]);
        assert_eq!(bus.counts().questions, 1);
    }

    #[test]
    fn faults_can_be_changed_while_the_line_runs() {
        let (bus, mut stream) = connect(BusFraming::Rtu(Pace::UNPACED));
        bus.with_line(|line, _| line.set_faults(vec![Rule::line(Fault::HangUp)]));
        stream.write_all(&QUESTION).unwrap();
        assert_eq!(stream.read(&mut [0; 1]).unwrap(), 0, "hung up");
    }

    #[test]
    fn a_dropped_bus_takes_its_port_along() {
        let bus = on_pty(Pace::UNPACED);
        let mut port = open(&bus);
        drop(bus);
        assert!(port.read(&mut [0; 1]).map_or(true, |count| count == 0));

        let (bus, mut stream) = connect(BusFraming::Tcp);
        drop(bus);
        assert_eq!(stream.read(&mut [0; 1]).unwrap_or(0), 0);
    }
}

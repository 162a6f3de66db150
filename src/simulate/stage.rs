//! A whole simulated site: every line of a site file with its devices, and a scenario played on it.

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use crate::config::{Framing, Port, SerialSettings, Site};
use crate::moment::Mono;
use crate::simulate::home::{self, Home};
use crate::simulate::{
    Bus, BusError, BusFraming, BusPort, Counts, Device, Line, Motion, Move, Pace, Point, Process, Rule, Step,
};

/// What can be chosen about a simulated site.
#[derive(Debug, Clone, Copy, Default)]
pub struct StageOptions {
    /// TCP lines listen on this port and those after it; `None` = on the site's own address when that
    /// is on this machine, else on any free port.
    pub tcp_port_base: Option<u16>,
    /// Decides every chance.
    pub seed: u64,
}

/// A running simulated site; it ends when this is dropped.
#[derive(Debug)]
pub struct Stage {
    epoch: Instant,
    process: Arc<Mutex<Process>>,
    homes: Vec<Home>,
    /// In the order of the site's lines.
    buses: Vec<Bus>,
}

impl Stage {
    /// Opens a pseudo-terminal for each serial line and listens for each TCP line.
    ///
    /// # Errors
    /// [`BusError`] when one of them cannot be had; nothing is left running.
    pub fn open(site: &Site, options: StageOptions) -> Result<Stage, BusError> {
        let epoch = Instant::now();
        let homes = home::of(site);
        let motions = homes.iter().map(|home| home.motion.clone()).collect();
        let process = Arc::new(Mutex::new(Process::new(motions)));
        let mut buses = Vec::new();
        for (index, spec) in site.lines.iter().enumerate() {
            let seed = options.seed.wrapping_add(u64::try_from(index).unwrap_or_default());
            let line = Line::showing(devices(site, index), Arc::clone(&process), seed);
            buses.push(match &spec.port {
                Port::Serial { settings, .. } => Bus::on_pty(line.set_to(*settings), pace(settings), epoch)?,
                Port::Tcp { address, framing, settings } => {
                    let framing = match framing {
                        Framing::Rtu => BusFraming::Rtu(settings.as_ref().map_or(Pace::UNPACED, pace)),
                        Framing::Tcp => BusFraming::Tcp,
                    };
                    Bus::on_tcp(line, listen_address(address, index, options), framing, epoch)?
                }
            });
        }
        Ok(Stage { epoch, process, homes, buses })
    }

    /// Where each line can be reached, in the order of the site's lines.
    pub fn ports(&self) -> Vec<BusPort> {
        self.buses.iter().map(|bus| bus.port().clone()).collect()
    }

    /// What each line has seen so far, in the order of the site's lines.
    pub fn counts(&self) -> Vec<Counts> {
        self.buses.iter().map(Bus::counts).collect()
    }

    /// Begins a step: its values set out, its faults replace those of the step before.
    pub fn begin(&self, step: &Step) {
        let now = Mono::new(self.epoch.elapsed());
        self.with_process(|process| {
            for (signal, movement) in &step.moves {
                if let Some(home) = self.homes.get(*signal) {
                    process.set(*signal, motion(*movement, home, process.value(*signal, now), now));
                }
            }
        });
        for (index, bus) in self.buses.iter().enumerate() {
            let rules: Vec<Rule> =
                step.faults.iter().filter(|(line, _)| *line == index).map(|(_, rule)| *rule).collect();
            bus.with_line(|line, _| {
                line.set_faults(rules);
                for (_, unit, power_up) in step.power_cycles.iter().filter(|(line, ..)| *line == index) {
                    if let Some(device) = line.device(*unit) {
                        device.power_cycle(now, *power_up);
                    }
                }
            });
        }
    }

    /// Lets every value move freely within its range again, and ends every fault.
    pub fn rest(&self) {
        self.with_process(|process| {
            for (signal, home) in self.homes.iter().enumerate() {
                process.set(signal, home.motion.clone());
            }
        });
        for bus in &self.buses {
            bus.with_line(|line, _| line.set_faults(Vec::new()));
        }
    }

    fn with_process(&self, change: impl FnOnce(&mut Process)) {
        change(&mut self.process.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

fn motion(movement: Move, home: &Home, from: f64, start: Mono) -> Motion {
    match movement {
        Move::To { value, over } => Motion::Ramp { from, to: value, start, over, ripple: home.ripple },
        Move::Follow { source, offset } => Motion::Follow { source, offset },
        Move::Free => home.motion.clone(),
    }
}

/// The devices of one line, each showing its signals.
fn devices(site: &Site, line: usize) -> Vec<Device> {
    let on_line = site.devices.iter().filter(|device| device.line.0 == line);
    on_line
        .map(|spec| {
            let blank = Device::new(spec.unit_id).turnaround(spec.turnaround.unwrap_or_default());
            spec.signals.iter().fold(blank, |device, index| match site.signals.get(index.0) {
                Some(signal) => device.showing(Point {
                    place: signal.place,
                    current: signal.current,
                    scale: signal.scale,
                    source: index.0,
                }),
                None => device,
            })
        })
        .collect()
}

fn pace(settings: &SerialSettings) -> Pace {
    Pace::of(settings.baud, settings.bits_per_character())
}

/// Where a TCP line is simulated: never anywhere but on this machine.
fn listen_address(asked: &str, index: usize, options: StageOptions) -> SocketAddr {
    let own = asked.parse().ok().filter(|address: &SocketAddr| address.ip().is_loopback());
    let port = |base: u16| base.saturating_add(u16::try_from(index).unwrap_or_default());
    match (options.tcp_port_base, own) {
        (Some(base), _) => SocketAddr::from((Ipv4Addr::LOCALHOST, port(base))),
        (None, Some(own)) => own,
        (None, None) => SocketAddr::from((Ipv4Addr::LOCALHOST, 0)),
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first thing that is not as it should be")]
mod tests {
    use std::fs::OpenOptions;
    use std::io::{Read, Write};
    use std::net::TcpStream;

    use super::*;
    use crate::simulate::{Scenario, frame, rig};

    struct Rig {
        stage: Stage,
        site: Site,
    }

    impl Rig {
        fn new() -> Rig {
            let site = rig::site();
            Rig { stage: Stage::open(&site, StageOptions::default()).unwrap(), site }
        }

        fn begin(&self, step: &str) {
            let text = format!("[[step]]\nlasts = '1s'\nsay = 'x'\n{step}");
            self.stage.begin(&Scenario::parse(&text, &self.site).unwrap().steps[0]);
        }

        /// Asks on a serial line or through a device server.
        fn ask_rtu(&self, line: usize, unit: u8, question: &[u8], answer_bytes: usize) -> Vec<u8> {
            let framed = frame::rtu_frame(unit, question);
            match &self.stage.ports()[line] {
                BusPort::Serial(path) => {
                    let port = OpenOptions::new().read(true).write(true).open(path).unwrap();
                    exchange(&port, &framed, answer_bytes)
                }
                BusPort::Tcp(address) => {
                    exchange(TcpStream::connect(address).unwrap(), &framed, answer_bytes)
                }
            }
        }
    }

    fn exchange(mut port: impl Read + Write, question: &[u8], answer_bytes: usize) -> Vec<u8> {
        port.write_all(question).unwrap();
        let mut answer = vec![0; answer_bytes];
        port.read_exact(&mut answer).unwrap();
        answer
    }

    #[test]
    fn a_value_goes_where_the_step_sends_it_and_lies_there_as_the_site_says() {
        let rig = Rig::new();
        // 24,000 counts are 24 mA; 10 ppmv of 20 are 12 mA, so 12,000 counts.
        rig.begin("set = [{ signal = 'a.gas', to = nan }, { signal = 'b.loop', to = 10 }, { signal = 'c.count', to = 7 }]");
        let gas = rig.ask_rtu(0, 2, &[4, 0, 0, 0, 2], 9);
        assert_eq!(gas[..7], [2, 4, 4, 0x7F, 0xC0, 0, 0], "not a number, as an analyzer may send it");
        let count = rig.ask_rtu(1, 2, &[3, 0, 0, 0, 1], 7);
        let counts = u16::from_be_bytes([count[3], count[4]]);
        assert!((11_950..=12_050).contains(&counts), "12 mA but for the tremble: {counts}");
    }

    #[test]
    fn a_modbus_tcp_line_speaks_modbus_tcp() {
        let rig = Rig::new();
        let BusPort::Tcp(address) = rig.stage.ports()[2] else { panic!("a TCP line has an address") };
        let question = [0, 9, 0, 0, 0, 6, 3, 3, 0, 0, 0, 1];
        let answer = exchange(TcpStream::connect(address).unwrap(), &question, 11);
        assert_eq!(answer[..9], [0, 9, 0, 0, 0, 5, 3, 3, 2]);
    }

    #[test]
    fn faults_befall_their_own_line_and_end_with_their_step() {
        let rig = Rig::new();
        rig.begin("fault = [{ device = 'b', kind = 'exception', code = 6 }]");
        assert_eq!(rig.ask_rtu(1, 2, &[3, 0, 0, 0, 1], 5)[..3], [2, 0x83, 6]);
        assert_eq!(rig.ask_rtu(0, 2, &[2, 0, 3, 0, 1], 5)[..4], [2, 2, 1, 0]);
        rig.begin("");
        assert_eq!(rig.ask_rtu(1, 2, &[3, 0, 0, 0, 1], 7)[..3], [2, 3, 2]);
        let exceptions: Vec<u64> = rig.stage.counts().iter().map(|counts| counts.exceptions).collect();
        assert_eq!(exceptions, [0, 1, 0]);
    }

    #[test]
    fn tcp_lines_are_simulated_nowhere_but_on_this_machine() {
        let base = |tcp_port_base| StageOptions { tcp_port_base, seed: 0 };
        let address = |asked, options| listen_address(asked, 2, options).to_string();
        assert_eq!(address("192.0.2.10:502", base(None)), "127.0.0.1:0");
        assert_eq!(address("annex.example:502", base(None)), "127.0.0.1:0");
        assert_eq!(address("127.0.0.1:1502", base(None)), "127.0.0.1:1502");
        assert_eq!(address("192.0.2.10:502", base(Some(5020))), "127.0.0.1:5022");
    }
}

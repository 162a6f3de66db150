//! What a site asks of its lines, against what the wire can carry: for `siskin check`, before
//! anything is connected.
//!
//! It reckons with the blocks and the times that the lines themselves plan with; what is not known
//! before a device has been asked, above all its response time, is assumed and said to be.

use std::time::Duration;

use crate::config::Site;
use crate::modbus::plan::{Block, Plan};
use crate::modbus::timing::Timing;
use crate::modbus::{DevicePlan, LinePlan};
use crate::signal::{DeviceIndex, LineIndex};

/// What is asked of one line.
#[derive(Debug, Clone, PartialEq)]
pub struct LineLoad {
    /// Which line.
    pub line: LineIndex,
    /// Sum over all blocks of time on the wire by period; 1.0 = just all that the line can carry.
    pub demand: f64,
    /// How long the line takes to ask for every block once: the longest that one poll can wait for
    /// the others.
    pub cycle_longest: Duration,
    /// The devices on it, in file order.
    pub devices: Vec<DeviceLoad>,
}

/// What is asked of one device.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceLoad {
    /// Which device.
    pub device: DeviceIndex,
    /// The response time reckoned with, network included.
    pub turnaround: Duration,
    /// Whether the response time was assumed, because the site file does not tell it.
    pub turnaround_assumed: bool,
    /// Its blocks, those with the shortest period first.
    pub blocks: Vec<BlockLoad>,
}

/// What one block takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BlockLoad {
    /// The block.
    pub block: Block,
    /// How often it is asked for.
    pub period: Duration,
    /// How long each question keeps the line.
    pub cost: Duration,
}

impl BlockLoad {
    /// Its share of the line: 1.0 = all of it.
    pub fn demand(&self) -> f64 {
        if self.period.is_zero() { f64::INFINITY } else { self.cost.div_duration_f64(self.period) }
    }
}

/// What the site asks of each of its lines, in file order.
pub fn load(site: &Site) -> Vec<LineLoad> {
    LinePlan::of(site).iter().map(line_load).collect()
}

fn line_load(line: &LinePlan) -> LineLoad {
    let timing = Timing::of(&line.spec.port);
    let devices: Vec<DeviceLoad> = line.devices.iter().map(|device| device_load(device, timing)).collect();
    let blocks = || devices.iter().flat_map(|device| &device.blocks);
    LineLoad {
        line: line.line,
        demand: blocks().map(BlockLoad::demand).sum(),
        cycle_longest: blocks().map(|block| block.cost).sum(),
        devices,
    }
}

fn device_load(device: &DevicePlan, timing: Timing) -> DeviceLoad {
    let plan = Plan::of(device, timing);
    let blocks_of = |group| {
        let plan = &plan;
        plan.blocks(group).iter().map(move |block| BlockLoad {
            block: *block,
            period: plan.period(group),
            cost: plan.cost(block),
        })
    };
    DeviceLoad {
        device: device.device,
        turnaround: timing.turnaround_assumed(device.spec.turnaround),
        turnaround_assumed: device.spec.turnaround.is_none(),
        blocks: (0..plan.groups()).flat_map(blocks_of).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{DeviceSpec, LineSpec, Parity, Port, SerialSettings};
    use crate::modbus::{Learned, SignalPlan};
    use crate::signal::{Order, Place, SignalIndex, Table, ValueType};

    fn device(index: usize, turnaround: Option<Duration>, period: Duration) -> DevicePlan {
        let spec = DeviceSpec {
            id: format!("dew-{index}"),
            name: "Dew point".into(),
            line: LineIndex(0),
            unit_id: 1,
            signals: Vec::new(),
            max_registers: 125,
            turnaround,
            quiet: Duration::ZERO,
            care: crate::calibration::Care::default(),
        };
        let value = |(signal, address)| SignalPlan {
            signal: SignalIndex(signal),
            place: Place {
                table: Table::Input,
                address,
                bit: None,
                value_type: ValueType::F32,
                word_order: Order::HighFirst,
                byte_order: Order::HighFirst,
            },
            poll_every: period,
        };
        let signals = [0, 2, 4, 6, 8].into_iter().enumerate().map(value).collect();
        DevicePlan { device: DeviceIndex(index), spec, signals, learned: Learned::default() }
    }

    fn line(devices: Vec<DevicePlan>) -> LinePlan {
        let settings = SerialSettings { baud: 9_600, parity: Parity::None, stop_bits: 1 };
        let spec = LineSpec {
            id: "east".into(),
            port: Port::Serial { path: "/dev/ttyUSB0".into(), settings, rs485: None },
            response_timeout: Duration::from_millis(500),
            retries: 1,
            silence_max: Duration::from_secs(60),
        };
        LinePlan { line: LineIndex(0), spec, devices }
    }

    /// Ten registers at 9600 baud: 8 + 25 + 3.5 characters of 10 bits are 38.02 ms; with 20 ms of
    /// response time and half a millisecond of the host's, 58.52 ms.
    #[test]
    fn a_line_is_loaded_by_time_on_the_wire_and_response_times() {
        let told = Some(Duration::from_millis(20));
        let load = line_load(&line(vec![
            device(0, told, Duration::from_secs(1)),
            device(1, None, Duration::from_millis(500)),
        ]));
        assert!((load.demand - 3.0 * 0.058_52).abs() < 1e-4, "{}", load.demand);
        assert!((load.cycle_longest.as_secs_f64() - 2.0 * 0.058_52).abs() < 1e-4);
        let mut slow = device(0, told, Duration::from_secs(1));
        slow.spec.quiet = Duration::from_millis(7);
        let slower = line_load(&line(vec![slow])).cycle_longest;
        assert!((slower.as_secs_f64() - 0.065_52).abs() < 1e-4, "{slower:?}");
        let assumed: Vec<bool> = load.devices.iter().map(|device| device.turnaround_assumed).collect();
        assert_eq!(assumed, [false, true]);
        let blocks: Vec<String> =
            load.devices[1].blocks.iter().map(|block| block.block.to_string()).collect();
        assert_eq!(blocks, ["input 0–9"]);
    }

    #[test]
    fn a_line_asked_for_more_than_it_can_carry_says_so() {
        let devices = (0..18).map(|index| device(index, None, Duration::from_secs(1))).collect();
        let load = line_load(&line(devices));
        assert!(load.demand > 1.0 && load.cycle_longest > Duration::from_secs(1), "{}", load.demand);
    }
}

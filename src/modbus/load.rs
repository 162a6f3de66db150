//! What a site asks of its lines, against what the wire can carry: for `siskin check`, before
//! anything is connected.
//!
//! It reckons with the blocks and the times that the lines themselves plan with; what is not known
//! before a device has been asked, above all its response time, is assumed and said to be.

use std::time::Duration;

use crate::config::Site;
use crate::modbus::plan::{Block, Holes, Plan};
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
    let plan = Plan::of(device, timing, Holes::default());
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

//! The insides of a line, laid bare for those who attack and measure them: `tests/fuzz` and
//! `tests/bench`. Not part of what the daemon uses, and no promise to anybody.
//!
//! What is here takes bytes or a stream instead of a port. Like all of this room it only asks.

use std::time::Duration;

use tokio::io::DuplexStream;
use tokio::sync::mpsc::Sender;

use crate::modbus::channel::Sieve;
use crate::modbus::frame::Question;
use crate::modbus::line::Line;
use crate::modbus::pause::Pause;
use crate::modbus::plan::Block;
use crate::modbus::rtu::{Patience, RtuLine};
use crate::modbus::timing::Timing;
use crate::modbus::wire::Wire;
use crate::modbus::{LineOutput, LinePlan, guard, mbap};
use crate::moment::Clock;

/// The guard of an RTU line while it waits for the answer to one question.
#[derive(Debug)]
pub struct RtuGuard(guard::Guard);

impl RtuGuard {
    /// Waits for the answer of `unit` for `block`. `exceptions_are_certain`: whether an exception
    /// answer can only be meant for this question.
    pub fn waiting(unit: u8, block: Block, exceptions_are_certain: bool) -> Self {
        let mut guard = guard::Guard::default();
        guard.expect(Question { unit, block }, exceptions_are_certain);
        RtuGuard(guard)
    }

    /// Takes what arrived; returns the answer's bytes once it is there.
    pub fn push(&mut self, arrived: &[u8]) -> Option<Vec<u8>> {
        self.0.push(arrived)
    }

    /// The line has fallen silent; returns how many runs of bytes were damaged, how many echoes and
    /// how many other frames were heard.
    pub fn settle(&mut self) -> (u32, u32, usize) {
        let overheard = self.0.settle();
        (overheard.damaged, overheard.echoes, overheard.frames.len())
    }
}

/// The guard of a Modbus TCP connection while it waits for the answer to one question.
#[derive(Debug)]
pub struct TcpGuard(mbap::Answers);

impl TcpGuard {
    /// Waits for the answer to the transaction of this number.
    pub fn waiting(transaction: u16, unit: u8, block: Block) -> Self {
        let mut answers = mbap::Answers::default();
        answers.expect(transaction, Question { unit, block });
        TcpGuard(answers)
    }

    /// Takes what arrived; returns the answer's frame once it is there.
    pub fn push(&mut self, arrived: &[u8]) -> Option<Vec<u8>> {
        Sieve::push(&mut self.0, arrived)
    }
}

/// Runs an RTU line over a stream in memory until its other end is dropped or nobody receives `out`.
/// It waits on the runtime's timer, so that the runtime's time need not be real.
pub async fn run_over(stream: DuplexStream, plan: LinePlan, clock: Clock, out: Sender<LineOutput>) {
    let timing = Timing::of(&plan.spec.port);
    let response_timeout = plan.spec.response_timeout;
    let patience = Patience { timing, response_timeout, damage_silence: DAMAGE_SILENCE };
    let wire = Wire::Rtu(RtuLine::new(stream, patience, Pause::Runtime));
    Line::new(plan, clock, out).ask_while_open(wire).await;
}

/// As on a serial port through an adapter that hands on characters in lumps.
const DAMAGE_SILENCE: Duration = Duration::from_millis(50);

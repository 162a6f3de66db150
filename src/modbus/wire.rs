//! What a line asks on, once it is open: RTU frames on a serial port or a TCP connection, or
//! Modbus TCP.

use std::time::Duration;

use tokio::time::{Instant, sleep_until};

use crate::config::{Framing, LineSpec, Port};
use crate::modbus::ask::Asked;
use crate::modbus::frame::Question;
use crate::modbus::guard::Overheard;
use crate::modbus::pause::Pause;
use crate::modbus::port::{self, Io, OpenError};
use crate::modbus::rtu::{Patience, RtuLine};
use crate::modbus::serial;
use crate::modbus::tap::Tap;
use crate::modbus::tcp::TcpLine;
use crate::modbus::timing::Timing;

/// Serial adapters hand on what they have received at least so often: 16 ms is common.
const ADAPTER_LUMP: Duration = Duration::from_millis(50);
/// A damaged answer on a serial port is over after so many silent intervals, on a slow line.
const DAMAGE_SILENT_INTERVALS: u32 = 4;

/// An open line.
pub(super) enum Wire {
    /// RTU frames.
    Rtu(RtuLine),
    /// Modbus TCP.
    Tcp(TcpLine),
}

impl Wire {
    /// Opens the port or makes the connection. With it comes what a person should know of the port.
    ///
    /// # Errors
    /// [`OpenError`].
    pub async fn open(spec: &LineSpec) -> Result<(Wire, Vec<String>), OpenError> {
        Wire::open_overheard(spec, None).await
    }

    /// The same, with a tap on the port where RTU frames travel.
    pub async fn open_overheard(
        spec: &LineSpec,
        tap: Option<&Tap>,
    ) -> Result<(Wire, Vec<String>), OpenError> {
        let timing = Timing::of(&spec.port);
        let response_timeout = spec.response_timeout;
        match &spec.port {
            Port::Serial { path, settings, rs485 } => {
                let (port, hints) = serial::open(path, *settings, *rs485)?;
                let damage_silence = ADAPTER_LUMP.max(timing.t3_5() * DAMAGE_SILENT_INTERVALS);
                let patience = Patience { timing, response_timeout, damage_silence };
                Ok((Wire::Rtu(rtu(port, tap, patience)), hints))
            }
            Port::Tcp { address, framing: Framing::Rtu, .. } => {
                let stream = port::connect(address).await?;
                // A network may part an answer by any time: its whole time-out is waited for.
                let patience = Patience { timing, response_timeout, damage_silence: response_timeout };
                Ok((Wire::Rtu(rtu(stream, tap, patience)), Vec::new()))
            }
            Port::Tcp { address, framing: Framing::Tcp, .. } => {
                let stream = port::connect(address).await?;
                let line = TcpLine::new(stream, address.clone(), timing, response_timeout);
                Ok((Wire::Tcp(line), Vec::new()))
            }
        }
    }

    /// Puts a question. `exceptions_are_certain`: see [`RtuLine::ask`].
    pub async fn ask(&mut self, question: Question, quiet: Duration, exceptions_are_certain: bool) -> Asked {
        match self {
            Wire::Rtu(line) => line.ask(question, quiet, exceptions_are_certain).await,
            Wire::Tcp(line) => line.ask(question, quiet).await,
        }
    }

    /// From now on answers are waited for as long as this.
    pub fn set_response_timeout(&mut self, response_timeout: Duration) {
        match self {
            Wire::Rtu(line) => line.set_response_timeout(response_timeout),
            Wire::Tcp(line) => line.set_response_timeout(response_timeout),
        }
    }

    /// Listens while there is nothing to ask: until `until`, or until a whole frame has come
    /// unasked. `Err` tells why the port is gone. A connection that can be made anew is not
    /// listened to.
    pub async fn listen(&mut self, until: Instant) -> Result<Overheard, String> {
        match self {
            Wire::Rtu(line) => line.listen(until).await,
            Wire::Tcp(_) => {
                sleep_until(until).await;
                Ok(Overheard::default())
            }
        }
    }
}

fn rtu(port: impl Io + 'static, tap: Option<&Tap>, patience: Patience) -> RtuLine {
    match tap {
        Some(tap) => RtuLine::new(tap.on(port), patience, Pause::Exact),
        None => RtuLine::new(port, patience, Pause::Exact),
    }
}

/// Whether transactions carry a number, so that no answer can be mistaken for another's.
pub(super) fn is_numbered(port: &Port) -> bool {
    matches!(port, Port::Tcp { framing: Framing::Tcp, .. })
}

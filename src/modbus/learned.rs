//! What a line has learned of a device by asking, and need not learn again after a restart.
//!
//! The line tells it when it changes ([`LineOutput::Learned`](super::LineOutput)) and takes it back
//! in its plan; who keeps it meanwhile, and for how long it is believed, is the daemon's to say.
//! Nothing here is needed: a line without it asks a little more at first.

use std::time::Duration;

use crate::modbus::plan::Block;

/// What has been learned of one device.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Learned {
    /// The blocks that the device refuses; none of them holds another. At most
    /// [`HOLES_MAX`](super::plan::HOLES_MAX).
    pub refused: Vec<Block>,
    /// The latest that an answer has come after its question was given up; zero while none has.
    pub latest: Duration,
    /// The median response time that questions are planned with; `None` until it is known, or when
    /// the site file tells it.
    pub response: Option<Duration>,
}

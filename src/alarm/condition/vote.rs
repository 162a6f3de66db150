//! `vote`: at least so many of several alarms are active.
//!
//! An alarm that cannot be evaluated votes neither way: the vote is unknown only where it would
//! decide.

use crate::alarm::AlarmIndex;
use crate::alarm::condition::{Condition, Known, Verdict};
use crate::moment::Moment;

/// `at_least` of the alarms `of` are active.
#[derive(Debug, Clone)]
pub(super) struct Vote {
    pub(super) at_least: usize,
    pub(super) of: Vec<AlarmIndex>,
}

impl Condition for Vote {
    fn verdict(&mut self, known: &dyn Known, _active: bool, _now: Moment) -> Verdict {
        let count = |wanted| self.of.iter().filter(|alarm| known.active(**alarm) == wanted).count();
        let (active, unknown) = (count(Some(true)), count(None));
        if active >= self.at_least {
            Verdict::Holds
        } else if active + unknown < self.at_least {
            Verdict::Clear
        } else {
            Verdict::Unknown
        }
    }
}

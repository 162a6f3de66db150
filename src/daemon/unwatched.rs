//! Settling over a restart: what nobody watched has to settle anew.
//!
//! A restart alone says nothing of the gas. But where the record ends with a sample line that had not
//! been flushed, or ended so long ago that gas may have stopped and come back unseen, as after a power
//! cut, the samples stay uncertain for the settling time. A site with no record yet settles nothing:
//! there, validity never returned, it only began.

use std::time::Duration;

use crate::history::SampleReader;
use crate::moment::Wall;
use crate::monitor::{Plan, State};
use crate::signal::{Reason, Reasons, SignalIndex, SignalSpec};

/// The part of the record that is looked at for the last sample.
const LOOKED_BACK: Duration = Duration::from_secs(3600);

/// What the record says of a signal's last sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Last {
    /// When it was recorded, and why it was not good.
    Sample(Wall, Reasons),
    /// It was recorded once, but not within the time looked at.
    LongAgo,
    /// The signal was never recorded.
    Never,
}

/// Has those signals settle of which nobody knows whether their gas has flowed.
pub(super) fn settle_anew(plan: &Plan, state: &mut State, record: &SampleReader) {
    let now = state.now().wall;
    let settling = plan.signals.iter().enumerate().filter(|(_, spec)| !spec.settle.is_zero());
    for (index, spec) in settling {
        if must_settle(spec, last_of(record, spec, now), now) {
            state.unsettle(SignalIndex(index));
        }
    }
}

fn must_settle(spec: &SignalSpec, last: Last, now: Wall) -> bool {
    match last {
        Last::Never => false,
        Last::LongAgo => true,
        Last::Sample(at, reasons) => {
            let unwatched = now.duration_since(at).try_into().unwrap_or(Duration::MAX);
            let other_gas = [Reason::Settling, Reason::SampleCondition, Reason::FunctionCheck];
            let unflushed = other_gas.iter().any(|reason| reasons.contains(*reason));
            unflushed || unwatched > spec.stale_after
        }
    }
}

/// What cannot be read was not watched.
fn last_of(record: &SampleReader, spec: &SignalSpec, now: Wall) -> Last {
    let from = now.checked_sub(LOOKED_BACK).unwrap_or(Wall::MIN);
    match record.samples(&spec.id, from, now) {
        Ok(samples) => match samples.last() {
            Some(sample) => Last::Sample(sample.time, sample.reasons),
            None if record.knows(&spec.id) => Last::LongAgo,
            None => Last::Never,
        },
        Err(_) => Last::LongAgo,
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test that cannot go on must fail")]
mod tests {
    use super::*;
    use crate::signal::{DeviceIndex, Place, Table, ValueType};

    fn spec() -> SignalSpec {
        SignalSpec {
            settle: Duration::from_secs(180),
            stale_after: Duration::from_secs(3),
            ..SignalSpec::new(
                "h2s-1.concentration",
                DeviceIndex(0),
                Place::new(Table::Input, 0, ValueType::F32),
            )
        }
    }

    fn at(second: i64) -> Wall {
        Wall::from_second(second).unwrap()
    }

    #[test]
    fn only_what_was_flushed_and_watched_until_just_now_need_not_settle() {
        let must = |last| must_settle(&spec(), last, at(100));
        let settling = Reasons::one(Reason::Settling);
        let no_flow = Reasons::one(Reason::SampleCondition);
        assert!(!must(Last::Never), "a site with no record yet");
        assert!(!must(Last::Sample(at(98), Reasons::NONE)), "a prompt restart");
        assert!(must(Last::Sample(at(98), settling)), "a restart while it settled");
        assert!(must(Last::Sample(at(98), no_flow)), "a restart while no gas flowed");
        let checked = Reasons::one(Reason::FunctionCheck);
        assert!(must(Last::Sample(at(98), checked)), "a restart in function check");
        assert!(must(Last::Sample(at(60), Reasons::NONE)), "a power cut");
        assert!(must(Last::LongAgo));
        assert!(must(Last::Sample(at(200), Reasons::NONE)), "a clock that has been set back");
    }
}

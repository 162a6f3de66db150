//! `state`: a bit, or an integer code, is in one of the named states.

use crate::alarm::condition::{Condition, Known, Verdict};
use crate::moment::Moment;
use crate::signal::{SignalIndex, Value, code_as_number};

/// The signal's state is one of `codes`; a bit has the codes 0 and 1.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub(super) signal: SignalIndex,
    pub(super) codes: Vec<i64>,
}

impl Condition for State {
    fn verdict(&mut self, known: &dyn Known, _active: bool, _now: Moment) -> Verdict {
        match known.sample(self.signal).measured() {
            None => Verdict::Unknown,
            Some(Value::Flag(flag)) => Verdict::from_bool(self.codes.contains(&i64::from(flag))),
            Some(Value::Number(number)) => {
                Verdict::from_bool(self.codes.iter().any(|code| code_as_number(*code) == number))
            }
        }
    }
}

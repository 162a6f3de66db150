//! `state`: a bit, or an integer code, is in one of the named states.

use crate::alarm::Verdict;
use crate::signal::{Sample, Value, code_as_number};

/// The sample's state is one of `codes`; a bit has the codes 0 and 1.
pub(super) fn in_codes(codes: &[i64], sample: &Sample) -> Verdict {
    match sample.measured() {
        None => Verdict::Unknown,
        Some(Value::Flag(flag)) => Verdict::from_bool(codes.contains(&i64::from(flag))),
        Some(Value::Number(number)) => {
            Verdict::from_bool(codes.iter().any(|code| code_as_number(*code) == number))
        }
    }
}

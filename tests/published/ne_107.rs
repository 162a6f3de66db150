//! The status categories of NAMUR NE 107 and the quality that each allows.
//!
//! Sources: OPC UA Part 100 (OPC 10000-100) section 4.5.4, Table 22 for the categories; OPC 30142
//! section 6.8.1, Table 13 for failure and function check = Bad, out of specification = Uncertain.
//! "A Bad result shall never be used" (OPC 10000-4 section 7.39.1): a bad sample has no value at all.

use siskin::moment::{Moment, Mono};
use siskin::signal::{Condition, Quality, Reason, Sample, Value};

#[test]
fn a_status_never_allows_a_better_quality_than_the_table() {
    for reason in Reason::ALL {
        let best = match reason.condition() {
            Some(Condition::Failure | Condition::FunctionCheck) => Quality::Bad,
            Some(Condition::OutOfSpecification) => Quality::Uncertain,
            Some(Condition::MaintenanceRequired) | None => Quality::Good,
        };
        assert!(reason.quality() >= best, "{reason:?} is {:?}, at best {best:?}", reason.quality());
    }
}

#[test]
fn a_bad_sample_has_no_value_to_be_used() {
    let at = Moment { mono: Mono::ZERO, wall: jiff::Timestamp::UNIX_EPOCH };
    for reason in Reason::ALL {
        let sample = Sample::new(Some(Value::Number(1.0)), [reason].into_iter().collect(), at);
        assert_eq!(sample.value().is_none(), reason.quality() == Quality::Bad, "{reason:?}");
    }
}

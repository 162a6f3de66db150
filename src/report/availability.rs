//! How much of a span a signal was measured in, and why not in the rest; and for how much of that its values
//! were uncertain.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::Serialize;

use crate::history::{Doubts, Lapse, ReadError, SampleReader};
use crate::moment::Wall;
use crate::period::Bounds;
use crate::signal::Reason;
use crate::view::{Elapsed, Instant};

/// The most lapses of a signal that are told one by one: the longest.
pub const LAPSES_TOLD_MAX: usize = 100;

/// Stands where no sample says anything: siskin did not run, or was made to forget.
pub const NOTHING_RECORDED: &str = "nothing_recorded";
/// Stands where only the hours are left of what was recorded.
pub const GIVEN_UP: &str = "samples_given_up";

/// How much of a span a signal was measured in.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Availability {
    /// For how long it was.
    pub measured_s: Elapsed,
    /// The share of the span, 0 to 1, that is.
    pub share: f64,
    /// For how much of that by uncertain values: they count in every figure.
    pub uncertain_s: Elapsed,
    /// Why they were, the longest first.
    pub doubts: Vec<Doubt>,
    /// Why it was not in the rest, the greatest loss first.
    pub losses: Vec<Loss>,
    /// The longest lapses, in order.
    pub lapses: Vec<LapseTold>,
    /// How many lapses are not among them.
    pub lapses_untold: usize,
}

/// What was lost for one reason, or for several that held together.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Loss {
    /// The words of the reasons; or [`NOTHING_RECORDED`], or [`GIVEN_UP`].
    pub because: Vec<&'static str>,
    /// For how long.
    pub lost_s: Elapsed,
    /// In how many lapses; 0 where that is not known any more.
    pub times: usize,
}

/// For how long values were uncertain for one reason, or for several that held together.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Doubt {
    /// The words of the reasons.
    pub because: Vec<&'static str>,
    /// For how long.
    pub for_s: Elapsed,
    /// How often.
    pub times: usize,
}

/// A time in which the signal was not measured.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LapseTold {
    /// Since when.
    pub from: Instant,
    /// Until when.
    pub to: Instant,
    /// For how long.
    pub lost_s: Elapsed,
    /// As in [`Loss::because`].
    pub because: Vec<&'static str>,
}

/// A span, and what is known of the record in it.
#[derive(Debug, Clone, Copy)]
pub struct Recorded<'a> {
    /// The span.
    pub bounds: Bounds,
    /// When recording broke off.
    pub breaks: &'a [Wall],
    /// Before when only hours are left of the samples.
    pub given_up_before: Option<Wall>,
    /// Where values were uncertain.
    pub doubts: &'a Doubts,
}

impl Availability {
    /// That of a signal that was measured for so long.
    pub fn of(
        signal: &str,
        measured: Duration,
        recorded: Recorded<'_>,
        samples: &SampleReader,
    ) -> Result<Availability, ReadError> {
        let Recorded { bounds, breaks, given_up_before, doubts } = recorded;
        let from = given_up_before.map_or(bounds.start, |before| before.clamp(bounds.start, bounds.end));
        let (mut lapses, mut uncertain) = (Vec::new(), Vec::new());
        samples.lapses(signal, from..bounds.end, breaks, doubts, |lapse| {
            if lapse.is_measured { &mut uncertain } else { &mut lapses }.push(told(lapse));
        })?;
        let doubts: Vec<Doubt> = by_reason(&uncertain)
            .into_iter()
            .map(|(because, for_s, times)| Doubt { because, for_s, times })
            .collect();
        let mut losses: Vec<Loss> = by_reason(&lapses)
            .into_iter()
            .map(|(because, lost_s, times)| Loss { because, lost_s, times })
            .collect();
        let explained: Duration = losses.iter().map(|loss| loss.lost_s.0).sum();
        let whole = bounds.end.duration_since(bounds.start).unsigned_abs();
        let rest = whole.saturating_sub(measured).saturating_sub(explained);
        if from > bounds.start && !rest.is_zero() {
            losses.push(Loss { because: vec![GIVEN_UP], lost_s: Elapsed(rest), times: 0 });
        }
        let lapses_untold = lapses.len().saturating_sub(LAPSES_TOLD_MAX);
        if lapses_untold > 0 {
            lapses.sort_by_key(|lapse| std::cmp::Reverse(lapse.lost_s));
            lapses.truncate(LAPSES_TOLD_MAX);
            lapses.sort_by_key(|lapse| lapse.from);
        }
        Ok(Availability {
            measured_s: Elapsed(measured),
            share: measured.as_secs_f64() / bounds.seconds(),
            uncertain_s: Elapsed(doubts.iter().map(|doubt| doubt.for_s.0).sum()),
            doubts,
            losses,
            lapses,
            lapses_untold,
        })
    }
}

/// For how long and how often each of the reasons held, the longest first.
fn by_reason(lapses: &[LapseTold]) -> Vec<(Vec<&'static str>, Elapsed, usize)> {
    let mut by_reason: BTreeMap<&[&'static str], (Duration, usize)> = BTreeMap::new();
    for lapse in lapses {
        let (lost, times) = by_reason.entry(&lapse.because).or_default();
        (*lost, *times) = (*lost + lapse.lost_s.0, *times + 1);
    }
    let mut sorted: Vec<_> = by_reason
        .into_iter()
        .map(|(because, (lost, times))| (because.to_vec(), Elapsed(lost), times))
        .collect();
    sorted.sort_by_key(|(_, lost, _)| std::cmp::Reverse(*lost));
    sorted
}

fn told(lapse: Lapse) -> LapseTold {
    let reasons = lapse.reasons.map(|reasons| reasons.iter().map(Reason::word).collect());
    LapseTold {
        from: lapse.from.into(),
        to: lapse.to.into(),
        lost_s: Elapsed(lapse.to.duration_since(lapse.from).unsigned_abs()),
        because: reasons.unwrap_or_else(|| vec![NOTHING_RECORDED]),
    }
}

/// A reason in words for a person.
pub fn sentence(because: &'static str) -> &'static str {
    match because {
        NOTHING_RECORDED => "nothing was recorded",
        GIVEN_UP => "the samples were given up, and why is not known any more",
        word => Reason::from_word(word).map_or(word, Reason::sentence),
    }
}

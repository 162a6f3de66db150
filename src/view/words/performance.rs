//! How well the alarms serve their operator, figure by figure against what is held to be good.

use crate::alarm::performance::goal;
use crate::view::Performance;
use crate::view::words::duration;

/// One figure against its goal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// What is counted.
    pub what: &'static str,
    /// How it is here.
    pub here: String,
    /// What is held to be good; empty when nothing is.
    pub goal: String,
    /// Whether it is so here, as far as that is known.
    pub is_kept: bool,
    /// Who holds it to be good, and whether that was looked up; empty when there is no goal.
    pub source: &'static str,
}

const FROM_MEMORY: &str = "ISA-18.2, from memory";
const CITED: &str = "EEMUA 191, as cited by UK HSE Chemicals Sheet No 6";

/// Every figure that one number tells, in the order in which they are read.
pub fn figures(told: &Performance) -> Vec<Figure> {
    vec![
        plain("calls", told.calls),
        rate("calls an hour", told.calls_per_hour, goal::PER_HOUR_MAX, FROM_MEMORY),
        rate(
            "calls a day",
            told.calls_per_day,
            goal::PER_DAY_MAX,
            "ISA-18.2, from memory; IEC 62682 has 144",
        ),
        rate(
            "calls in ten minutes, on average",
            told.calls_per_ten_minutes,
            goal::PER_TEN_MINUTES_MAX,
            CITED,
        ),
        Figure {
            goal: format!("at most {}", goal::IN_TEN_MINUTES_MAX),
            is_kept: told.most_in_ten_minutes <= goal::IN_TEN_MINUTES_MAX,
            source: CITED,
            ..plain("most calls in any ten minutes", told.most_in_ten_minutes)
        },
        plain("floods", told.floods),
        in_flood(told),
        Figure {
            goal: "none".to_owned(),
            is_kept: told.chattering.is_empty(),
            source: "from memory",
            ..plain("chattering alarms", told.chattering.len())
        },
        Figure {
            goal: format!("fewer than {}", goal::STALE_MAX),
            is_kept: told.stale.len() < goal::STALE_MAX,
            source: FROM_MEMORY,
            ..plain("stale alarms, active for over a day", told.stale.len())
        },
    ]
}

/// A share, 0 to 1, in whole percent; `-` when it is not known.
pub fn percent(share: Option<f64>) -> String {
    share.map_or_else(|| "-".to_owned(), |share| format!("{:.0} %", share * 100.0))
}

fn plain(what: &'static str, here: usize) -> Figure {
    Figure { what, here: here.to_string(), goal: String::new(), is_kept: true, source: "" }
}

fn rate(what: &'static str, rate: Option<f64>, goal: f64, source: &'static str) -> Figure {
    Figure {
        what,
        here: rate.map_or_else(|| "not known".to_owned(), |rate| format!("{rate:.1}")),
        goal: format!("at most {goal}"),
        is_kept: rate.is_none_or(|rate| rate <= goal),
        source,
    }
}

fn in_flood(told: &Performance) -> Figure {
    let share = told.in_flood_share;
    let finely = share.map_or_else(|| "-".to_owned(), |share| format!("{:.1} %", share * 100.0));
    Figure {
        what: "time in flood",
        here: format!("{} ({finely})", duration(told.in_flood_s.0)),
        goal: format!("less than {:.0} %", goal::IN_FLOOD_SHARE_MAX * 100.0),
        is_kept: share.is_none_or(|share| share < goal::IN_FLOOD_SHARE_MAX),
        source: FROM_MEMORY,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::alarm::performance::Count;
    use crate::moment::Wall;
    use crate::view::Instant;

    fn kept(told: &Performance, what: &str) -> bool {
        figures(told).iter().find(|figure| figure.what == what).unwrap().is_kept
    }

    #[test]
    fn a_goal_of_at_most_is_kept_at_its_limit_and_a_goal_of_less_is_not() {
        let from: Wall = "2026-03-02T15:00:00Z".parse().unwrap();
        let to: Wall = "2026-03-09T15:00:00Z".parse().unwrap();
        let mut told = Performance::from(Count::new(from, to).finish());
        assert!(figures(&told).iter().all(|figure| figure.is_kept), "of nothing no goal is missed");
        told.calls_per_hour = Some(6.0);
        told.most_in_ten_minutes = 10;
        told.in_flood_share = Some(0.01);
        let stale = crate::view::Stale { alarm: "h2s-high".to_owned(), since: Instant(from) };
        told.stale = vec![stale; 4];
        assert!(kept(&told, "calls an hour") && kept(&told, "most calls in any ten minutes"));
        assert!(!kept(&told, "time in flood"));
        assert!(kept(&told, "stale alarms, active for over a day"));
        told.stale.push(told.stale[0].clone());
        (told.calls_per_hour, told.most_in_ten_minutes) = (Some(6.01), 11);
        assert!(!kept(&told, "calls an hour") && !kept(&told, "most calls in any ten minutes"));
        assert!(!kept(&told, "stale alarms, active for over a day"));
    }
}

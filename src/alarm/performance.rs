//! How well the alarms serve their operator: how many call, how fast, which ones, for how long.
//!
//! A *call* is an event by which an alarm asks for attention: it is raised, raised again, or told again
//! while its condition holds. What a withheld alarm does calls nobody and is not counted. The figures are
//! those of IEC 62682 / ANSI-ISA-18.2 and EEMUA 191; where [`goal`] says *from memory*, the standards,
//! which are not openly available, were not looked up.
//!
//! [`Count`] takes in what happened, in the order of the record, and keeps only what it needs: the calls
//! of the last ten minutes, and a few numbers for each alarm.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use crate::alarm::Priority;
use crate::moment::Wall;

const MINUTE: Duration = Duration::from_secs(60);
const TEN_MINUTES: Duration = Duration::from_secs(600);
const HOUR: Duration = Duration::from_secs(3600);
const DAY: Duration = Duration::from_secs(86_400);
/// How many of the alarms that call most often are told.
const MOST_FREQUENT: usize = 10;

/// What the standards hold to be good.
pub mod goal {
    use std::time::Duration;

    /// Calls in ten minutes, in the long run: at most one, which operators find acceptable (EEMUA 191,
    /// as cited by UK HSE Chemicals Sheet No 6).
    pub const PER_TEN_MINUTES_MAX: f64 = 1.0;
    /// Calls in any ten minutes, after an upset too: at most ten (as above).
    pub const IN_TEN_MINUTES_MAX: usize = 10;
    /// Calls an hour that are acceptable. ISA-18.2, from memory.
    pub const PER_HOUR_MAX: f64 = 6.0;
    /// Calls a day that are acceptable. ISA-18.2, from memory; IEC 62682 has 144.
    pub const PER_DAY_MAX: f64 = 150.0;
    /// A flood begins with more calls than this in ten minutes. ISA-18.2, from memory.
    pub const FLOOD_BEGINS_ABOVE: usize = 10;
    /// A flood ends with fewer calls than this in ten minutes. ISA-18.2, from memory.
    pub const FLOOD_ENDS_BELOW: usize = 5;
    /// Share of the time in flood: less than this. ISA-18.2, from memory.
    pub const IN_FLOOD_SHARE_MAX: f64 = 0.01;
    /// An alarm chatters that calls more often than this in a minute (from a survey of the literature).
    pub const CHATTERS_ABOVE: usize = 3;
    /// An alarm is stale that is active for longer than this. ISA-18.2, from memory.
    pub const STALE_AFTER: Duration = Duration::from_secs(86_400);
    /// Stale alarms on any day: fewer than this. ISA-18.2, from memory.
    pub const STALE_MAX: usize = 5;
    /// Shares of the calls by priority: high, medium, low. ISA-18.2, from memory; what is critical here
    /// belongs to the first.
    pub const PRIORITY_SHARES: [f64; 3] = [0.05, 0.15, 0.80];
}

/// One thing that happened, as far as it matters here.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Happened<'a> {
    /// The daemon began to watch.
    Started,
    /// The daemon stopped in good order.
    Stopped,
    /// Something changed about an alarm.
    Alarm(Change<'a>),
}

/// A change of an alarm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change<'a> {
    /// The alarm's id.
    pub alarm: &'a str,
    /// Whether it was raised, or cleared; `None`: something else happened to it.
    pub active: Option<bool>,
    /// Whether it calls for attention by this.
    pub calls: bool,
    /// Whether it is withheld from the operator.
    pub withheld: bool,
    /// Its priority, where that is told.
    pub priority: Option<Priority>,
}

/// The alarms' performance over a time.
#[derive(Debug, Clone, PartialEq)]
pub struct Performance {
    /// Where the time begins.
    pub from: Wall,
    /// Where it ends.
    pub to: Wall,
    /// How much of it is not known to have passed without the daemon.
    pub watched: Duration,
    /// How often alarms called.
    pub calls: usize,
    /// The most calls in any ten minutes.
    pub most_in_ten_minutes: usize,
    /// How many floods there were.
    pub floods: usize,
    /// How long they lasted together.
    pub in_flood: Duration,
    /// Alarms that called too often within a minute, those that did so worst first.
    pub chattering: Vec<Chattering>,
    /// Alarms that are told, are active at the end, and have been for too long, the longest first.
    pub stale: Vec<Stale>,
    /// The ten alarms that called most often, most often first.
    pub most_frequent: Vec<Frequent>,
    /// Calls by priority, from most to least urgent; those whose priority is not known are in none.
    pub by_priority: [(Priority, usize); 4],
}

/// An alarm that called too often within a minute.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chattering {
    /// Its id.
    pub alarm: String,
    /// The most calls within a minute.
    pub most_in_a_minute: usize,
}

/// An alarm that has been active for too long.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stale {
    /// Its id.
    pub alarm: String,
    /// Since when it has been active.
    pub since: Wall,
}

/// An alarm that called often.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frequent {
    /// Its id.
    pub alarm: String,
    /// How often.
    pub calls: usize,
}

impl Performance {
    /// Calls an hour; `None` when nothing was watched.
    pub fn per_hour(&self) -> Option<f64> {
        self.per(HOUR)
    }

    /// Calls a day; `None` when nothing was watched.
    pub fn per_day(&self) -> Option<f64> {
        self.per(DAY)
    }

    /// Calls in ten minutes, on average; `None` when nothing was watched.
    pub fn per_ten_minutes(&self) -> Option<f64> {
        self.per(TEN_MINUTES)
    }

    /// Share of the time in flood, 0 to 1; `None` when nothing was watched.
    pub fn in_flood_share(&self) -> Option<f64> {
        let watched = !self.watched.is_zero();
        watched.then(|| (self.in_flood.as_secs_f64() / self.watched.as_secs_f64()).min(1.0))
    }

    /// Share of `calls` among all calls, 0 to 1; `None` when there was none.
    pub fn share(&self, calls: usize) -> Option<f64> {
        (self.calls > 0).then(|| number(calls) / number(self.calls))
    }

    fn per(&self, time: Duration) -> Option<f64> {
        let watched = self.watched.as_secs_f64();
        (watched > 0.0).then(|| number(self.calls) * time.as_secs_f64() / watched)
    }
}

/// Counts what happens between two times.
#[derive(Debug)]
pub struct Count {
    from: Wall,
    to: Wall,
    now: Wall,
    begun: bool,
    not_watched: Duration,
    stopped: Option<Wall>,
    calls: usize,
    most_in_ten_minutes: usize,
    lately: VecDeque<Wall>,
    flood: Option<Wall>,
    floods: usize,
    in_flood: Duration,
    alarms: BTreeMap<String, Tally>,
    by_priority: BTreeMap<Priority, usize>,
}

/// What is counted of one alarm.
#[derive(Debug, Default)]
struct Tally {
    active_since: Option<Wall>,
    withheld: bool,
    priority: Option<Priority>,
    calls: usize,
    lately: VecDeque<Wall>,
    most_in_a_minute: usize,
}

impl Count {
    /// Nothing has happened yet between `from` and `to`.
    pub fn new(from: Wall, to: Wall) -> Count {
        Count {
            from,
            to,
            now: from,
            begun: false,
            not_watched: Duration::ZERO,
            stopped: None,
            calls: 0,
            most_in_ten_minutes: 0,
            lately: VecDeque::new(),
            flood: None,
            floods: 0,
            in_flood: Duration::ZERO,
            alarms: BTreeMap::new(),
            by_priority: BTreeMap::new(),
        }
    }

    /// Takes in what happened, in the order of the record, from before `from` on: what was active then
    /// still is. A wall clock that was set back does not set the count back: time stands still until it
    /// is made up.
    pub fn take(&mut self, at: Wall, happened: Happened<'_>) {
        if at >= self.to {
            return;
        }
        if !std::mem::replace(&mut self.begun, true) && happened == Happened::Started {
            // The record begins here.
            self.not_watched += between(self.from, at);
        }
        let counts = at >= self.from;
        self.now = self.now.max(at);
        match happened {
            Happened::Stopped => self.stopped = Some(self.now),
            Happened::Started => self.count_the_pause(self.now),
            Happened::Alarm(change) => {
                self.note(&change, at);
                if counts && change.calls {
                    self.call(&change);
                }
            }
        }
    }

    fn count_the_pause(&mut self, end: Wall) {
        if let Some(stopped) = self.stopped.take() {
            self.not_watched += between(stopped, end);
        }
    }

    /// Keeps how the alarm stands, before the time that counts too.
    fn note(&mut self, change: &Change<'_>, at: Wall) {
        let tally = self.alarms.entry(change.alarm.to_owned()).or_default();
        tally.withheld = change.withheld;
        tally.priority = change.priority.or(tally.priority);
        match change.active {
            Some(true) => tally.active_since = Some(at),
            Some(false) => tally.active_since = None,
            None => {}
        }
    }

    fn call(&mut self, change: &Change<'_>) {
        let now = self.now;
        self.calls += 1;
        self.end_flood_by(now);
        forget(&mut self.lately, now, TEN_MINUTES);
        self.lately.push_back(now);
        self.most_in_ten_minutes = self.most_in_ten_minutes.max(self.lately.len());
        if self.flood.is_none() && self.lately.len() > goal::FLOOD_BEGINS_ABOVE {
            self.flood = Some(now);
            self.floods += 1;
        }
        let Some(tally) = self.alarms.get_mut(change.alarm) else { return };
        tally.calls += 1;
        forget(&mut tally.lately, now, MINUTE);
        tally.lately.push_back(now);
        tally.most_in_a_minute = tally.most_in_a_minute.max(tally.lately.len());
        if let Some(priority) = tally.priority {
            *self.by_priority.entry(priority).or_default() += 1;
        }
    }

    /// Ends a flood that is over by `now`: it is when of the calls that keep it up one too many has
    /// become ten minutes old.
    fn end_flood_by(&mut self, now: Wall) {
        let Some(began) = self.flood else { return };
        let keeps_up =
            self.lately.len().checked_sub(goal::FLOOD_ENDS_BELOW).and_then(|at| self.lately.get(at));
        let ends = keeps_up.and_then(|call| call.checked_add(TEN_MINUTES).ok()).unwrap_or(now);
        if ends <= now {
            self.in_flood += between(began, ends);
            self.flood = None;
        }
    }

    /// The figures.
    pub fn finish(mut self) -> Performance {
        self.end_flood_by(self.to);
        if let Some(began) = self.flood {
            self.in_flood += between(began, self.to);
        }
        self.count_the_pause(self.to);
        let asked_for = between(self.from, self.to);
        Performance {
            from: self.from,
            to: self.to,
            watched: if self.begun { asked_for.saturating_sub(self.not_watched) } else { Duration::ZERO },
            calls: self.calls,
            most_in_ten_minutes: self.most_in_ten_minutes,
            floods: self.floods,
            in_flood: self.in_flood,
            chattering: self.chattering(),
            stale: self.stale(),
            most_frequent: self.most_frequent(),
            by_priority: Priority::ALL
                .map(|priority| (priority, self.by_priority.get(&priority).copied().unwrap_or(0))),
        }
    }

    fn chattering(&self) -> Vec<Chattering> {
        let chatters = self.alarms.iter().filter(|(_, tally)| tally.most_in_a_minute > goal::CHATTERS_ABOVE);
        let told = |(alarm, tally): (&String, &Tally)| Chattering {
            alarm: alarm.clone(),
            most_in_a_minute: tally.most_in_a_minute,
        };
        let mut all: Vec<Chattering> = chatters.map(told).collect();
        all.sort_by_key(|chattering| std::cmp::Reverse(chattering.most_in_a_minute));
        all
    }

    fn stale(&self) -> Vec<Stale> {
        let told = self.alarms.iter().filter(|(_, tally)| !tally.withheld);
        let since = |(alarm, tally): (&String, &Tally)| {
            tally.active_since.map(|since| Stale { alarm: alarm.clone(), since })
        };
        let too_long = |stale: &Stale| between(stale.since, self.to) > goal::STALE_AFTER;
        let mut all: Vec<Stale> = told.filter_map(since).filter(too_long).collect();
        all.sort_by_key(|stale| stale.since);
        all
    }

    fn most_frequent(&self) -> Vec<Frequent> {
        let called = self.alarms.iter().filter(|(_, tally)| tally.calls > 0);
        let told = |(alarm, tally): (&String, &Tally)| Frequent { alarm: alarm.clone(), calls: tally.calls };
        let mut all: Vec<Frequent> = called.map(told).collect();
        all.sort_by_key(|frequent| std::cmp::Reverse(frequent.calls));
        all.truncate(MOST_FREQUENT);
        all
    }
}

/// Forgets the calls that are as old as `age` or older.
fn forget(calls: &mut VecDeque<Wall>, now: Wall, age: Duration) {
    while calls.front().is_some_and(|first| between(*first, now) >= age) {
        calls.pop_front();
    }
}

/// The time from one to the other; zero when the other is not later.
fn between(from: Wall, to: Wall) -> Duration {
    Duration::try_from(to.duration_since(from)).unwrap_or(Duration::ZERO)
}

fn number(count: usize) -> f64 {
    f64::from(u32::try_from(count).unwrap_or(u32::MAX))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test that cannot go on must fail")]
mod tests;

//! Which lines of the log are said: what repeats is said once a minute, with how often it was.
//!
//! Pure: time comes in by the arguments. What a line looks like and where it goes is not its business.

use std::collections::HashMap;
use std::time::Duration;

/// What repeats is said again after this time.
pub const AGAIN_AFTER: Duration = Duration::from_secs(60);
/// So many different lines are remembered; for a further one, that said longest ago is forgotten.
pub const LINES_REMEMBERED_MAX: usize = 512;

/// What is to become of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// It is said, and with it that so many like it were held back since the last one.
    Said {
        /// How many.
        held_back: u64,
    },
    /// It is held back, and counted.
    HeldBack,
}

/// The lines that were said lately.
#[derive(Debug, Default)]
pub struct Repeats {
    said: HashMap<String, Said>,
}

#[derive(Debug)]
struct Said {
    at: Duration,
    held_back: u64,
}

impl Repeats {
    /// What becomes of `line` at `now`, the time since the log began.
    pub fn take(&mut self, line: &str, now: Duration) -> Fate {
        let like = like(line);
        if let Some(said) = self.said.get_mut(&like) {
            if now.saturating_sub(said.at) < AGAIN_AFTER {
                said.held_back += 1;
                return Fate::HeldBack;
            }
            let held_back = std::mem::take(&mut said.held_back);
            said.at = now;
            return Fate::Said { held_back };
        }
        self.forget_one();
        self.said.insert(like, Said { at: now, held_back: 0 });
        Fate::Said { held_back: 0 }
    }

    /// The lines that were held back and have not come again for a minute: what they are like, and how many
    /// of each. They are told once.
    pub fn left_over(&mut self, now: Duration) -> Vec<(String, u64)> {
        let over = |said: &Said| now.saturating_sub(said.at) >= AGAIN_AFTER;
        let mut told: Vec<(String, u64)> = self
            .said
            .extract_if(|_, said| over(said))
            .filter(|(_, said)| said.held_back > 0)
            .map(|(like, said)| (like, said.held_back))
            .collect();
        told.sort();
        // Having been told, it counts as said: it may not come again at once.
        self.said.extend(told.iter().map(|(like, _)| (like.clone(), Said { at: now, held_back: 0 })));
        told
    }

    fn forget_one(&mut self) {
        if self.said.len() >= LINES_REMEMBERED_MAX {
            let oldest = self.said.iter().min_by_key(|(_, said)| said.at).map(|(like, _)| like.clone());
            oldest.and_then(|oldest| self.said.remove(&oldest));
        }
    }
}

/// The line with `#` for every number that stands by itself, since "16 s" and "17 s" say the same. Numbers
/// in a name or an address stay: those say who is meant.
fn like(line: &str) -> String {
    let mut words: Vec<String> = Vec::new();
    for word in line.split(' ') {
        let bare = word.trim_matches(|edge: char| "(),;:%".contains(edge));
        let is_number = !bare.is_empty() && bare.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.');
        words.push(if is_number { word.replace(bare, "#") } else { word.to_owned() });
    }
    words.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn s(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
    }

    #[test]
    fn a_line_that_flaps_for_ten_minutes_is_said_once_a_minute_and_nothing_is_lost_in_the_count() {
        let mut repeats = Repeats::default();
        let down = r#"event kind="line_down" subject="east""#;
        let up = r#"event kind="line_up" subject="east""#;
        let (mut said, mut told) = ([Vec::new(), Vec::new()], 0);
        for second in 0..600 {
            let which = usize::from(second % 2 == 1);
            if let Fate::Said { held_back } = repeats.take([down, up][which], s(second)) {
                said[which].push(second);
                told += 1 + held_back;
            }
            for (_, held_back) in repeats.left_over(s(second)) {
                told += held_back;
            }
        }
        for said in &said {
            assert!(said.windows(2).all(|pair| pair[1] - pair[0] >= 60), "{said:?}");
            assert_eq!(said.len(), 10, "{said:?}");
        }
        told += repeats.left_over(s(700)).iter().map(|(_, held_back)| held_back).sum::<u64>();
        assert_eq!(told, 600);
    }

    #[test]
    fn what_was_held_back_is_told_when_it_comes_no_more() {
        let mut repeats = Repeats::default();
        assert_eq!(repeats.take("no answer for 16 s", s(0)), Fate::Said { held_back: 0 });
        assert_eq!(repeats.take("no answer for 17 s", s(1)), Fate::HeldBack);
        assert_eq!(repeats.take("no answer for 18.5 s", s(2)), Fate::HeldBack);
        assert_eq!(repeats.left_over(s(59)), []);
        assert_eq!(repeats.left_over(s(60)), [("no answer for # s".to_owned(), 2)]);
        assert_eq!(repeats.left_over(s(61)), [], "it is told once");
        assert_eq!(repeats.take("no answer for 19 s", s(62)), Fate::HeldBack, "it was said just now");
    }

    #[test]
    fn two_devices_or_two_ports_are_not_the_same_line() {
        let mut repeats = Repeats::default();
        for line in ["h2s-1 is lost", "h2s-2 is lost", "192.0.2.1:4001 refuses", "192.0.2.2:4001 refuses"] {
            assert_eq!(repeats.take(line, s(0)), Fate::Said { held_back: 0 }, "{line}");
        }
    }

    #[test]
    fn so_many_lines_are_remembered_and_no_more() {
        let mut repeats = Repeats::default();
        let line = |index: usize| format!("line-{index} is down");
        for index in 0..=LINES_REMEMBERED_MAX {
            let at = Duration::from_millis(u64::try_from(index).unwrap_or(0));
            assert_eq!(repeats.take(&line(index), at), Fate::Said { held_back: 0 });
        }
        assert_eq!(repeats.said.len(), LINES_REMEMBERED_MAX);
        assert_eq!(repeats.take(&line(1), s(1)), Fate::HeldBack, "this one is remembered");
        assert_eq!(repeats.take(&line(0), s(1)), Fate::Said { held_back: 0 }, "the oldest was forgotten");
    }
}

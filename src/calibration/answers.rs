//! The last answers of an analyzer that has calibration gas in its cell, kept until they are recorded.
//!
//! Whether the gas has filled the cell is for the person who watches to judge; the scatter helps. An answer
//! counts once: what was recorded is taken out, so that no gas is mixed with the one before.

use std::collections::VecDeque;
use std::time::Duration;

use crate::moment::Mono;

/// The most answers that one reading is the mean of. Common practice, no source.
pub const ANSWERS_MAX: usize = 10;
/// The fewest: one answer may be damaged, two do not say which. Common practice, no source.
pub const ANSWERS_MIN: usize = 3;

/// The last answers, oldest first.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Answers {
    kept: VecDeque<(Mono, f64)>,
}

impl Answers {
    /// Takes in an answer. One without a number ends the row: what came before it is of another time.
    pub fn take(&mut self, at: Mono, number: Option<f64>) {
        let Some(number) = number else { return self.kept.clear() };
        if self.kept.len() == ANSWERS_MAX {
            self.kept.pop_front();
        }
        self.kept.push_back((at, number));
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.kept.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }

    /// The numbers, and the time from the first to the last of them; `None` when they are fewer than
    /// [`ANSWERS_MIN`].
    pub fn enough(&self) -> Option<(Vec<f64>, Duration)> {
        let ((first, _), (last, _)) = (self.kept.front()?, self.kept.back()?);
        let numbers = || self.kept.iter().map(|(_, number)| *number).collect();
        (self.len() >= ANSWERS_MIN).then(|| (numbers(), last.since(*first)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(numbers: &[Option<f64>]) -> Answers {
        let mut answers = Answers::default();
        for (second, number) in (0..).zip(numbers) {
            answers.take(Mono::new(Duration::from_secs(second)), *number);
        }
        answers
    }

    #[test]
    fn three_answers_are_enough_and_two_are_not() {
        assert_eq!(after(&[Some(1.0), Some(2.0)]).enough(), None);
        let enough = after(&[Some(1.0), Some(2.0), Some(6.0)]).enough();
        assert_eq!(enough, Some((vec![1.0, 2.0, 6.0], Duration::from_secs(2))));
    }

    #[test]
    fn only_the_last_answers_count() {
        let mut numbers = vec![Some(100.0)];
        numbers.extend([Some(1.0); ANSWERS_MAX]);
        assert_eq!(after(&numbers).enough().map(|(numbers, _)| numbers), Some(vec![1.0; ANSWERS_MAX]));
    }

    #[test]
    fn an_answer_without_a_number_begins_anew() {
        let broken = after(&[Some(1.0), Some(1.0), None, Some(1.0), Some(1.0)]);
        assert_eq!((broken.len(), broken.enough()), (2, None));
    }
}

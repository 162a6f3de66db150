//! The building's push-buttons: a discrete input that acknowledges or resets as an operator would.
//!
//! Only the edge counts, and only one that was seen: the input must have been seen released for
//! longer than a contact bounces, without a gap, before it is seen pressed. A device that comes back
//! with the button held down acknowledges nothing.

use std::time::Duration;

use crate::moment::{Moment, Mono};
use crate::monitor::step::Step;
use crate::monitor::{Action, Targets, Who};
use crate::signal::{Sample, SignalIndex, Value};

/// A contact that was open for less has bounced. Common practice, no source.
const BOUNCE_MAX: Duration = Duration::from_millis(50);

/// What is known of one button.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct ButtonState {
    /// Since when it has been seen released without a gap.
    released_since: Option<Mono>,
}

impl ButtonState {
    /// Takes in a sample; true when it shows that the button has just been pressed.
    fn pressed_by(&mut self, sample: &Sample, now: Moment) -> bool {
        match sample.measured() {
            Some(Value::Flag(false)) => {
                self.released_since.get_or_insert(now.mono);
                false
            }
            Some(Value::Flag(true)) => {
                self.released_since.take().is_some_and(|since| now.mono.since(since) >= BOUNCE_MAX)
            }
            Some(Value::Number(_)) | None => {
                self.released_since = None;
                false
            }
        }
    }
}

impl Step<'_> {
    /// Lets the push-buttons on a signal act.
    pub(super) fn watch_buttons(&mut self, signal: SignalIndex) {
        for index in 0..self.plan.push_buttons.len() {
            let button = self.plan.push_buttons[index];
            let sample = self.state.known.samples[signal.0];
            if button.signal == signal && self.state.buttons[index].pressed_by(&sample, self.state.now) {
                let user = format!("push-button {}", self.plan.signals[signal.0].id);
                let who = Who { user, name: None };
                self.carry_out(&Action {
                    kind: button.asks,
                    targets: Targets::All,
                    who,
                    remark: None,
                    seen: None,
                });
            }
        }
    }
}

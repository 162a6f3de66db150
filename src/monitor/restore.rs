//! Alarm states folded from the journal at start, so that a restart neither raises, nor clears, nor
//! forgets. What a delay had already run is not remembered: it starts again.

use crate::alarm::Life;
use crate::moment::Wall;
use crate::monitor::{EventKind, Plan, State};

/// One past event about an alarm, as the journal holds it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remembered {
    /// What happened.
    pub kind: EventKind,
    /// The alarm's id.
    pub alarm: String,
    /// When.
    pub at: Wall,
    /// The state the alarm had afterwards.
    pub life: Life,
}

/// Puts the alarms into the states that the past events, oldest first, left them in. Events about
/// alarms the site no longer has are passed over. Call it before the first step.
pub fn restore(plan: &Plan, state: &mut State, past: impl IntoIterator<Item = Remembered>) {
    for event in past {
        let Some(alarm) = plan.alarm(&event.alarm) else { continue };
        let alarm = &mut state.alarms[alarm.0];
        alarm.life = event.life;
        alarm.since = Some(event.at);
        if event.kind == EventKind::AlarmRaised {
            (alarm.raised, alarm.cleared, alarm.acknowledged) = (Some(event.at), None, None);
        } else if event.kind == EventKind::AlarmCleared {
            alarm.cleared = Some(event.at);
        } else if event.kind == EventKind::AlarmAcknowledged {
            alarm.acknowledged = Some(event.at);
        }
    }
    state.alarms.iter_mut().for_each(|alarm| alarm.delay.stop());
    state.look_at_all(plan);
}

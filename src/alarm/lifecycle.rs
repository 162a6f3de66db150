//! The life cycle of an alarm: states, events, and the one table that joins them.
//!
//! Source: the state table of IEC 62682 / ANSI-ISA-18.2, **from memory** (the standard is not
//! openly available), cross-checked with OPC UA Part 9 v1.05, section 5.8 and Table B.1. A reset
//! while the condition holds does nothing (Part 9, section 5.8.2); a reset of a latched alarm that
//! nobody has acknowledged is refused (section 5.8.5).

/// The states of an alarm in service.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Life {
    /// Nothing to tell.
    #[default]
    Normal,
    /// The condition holds, and nobody has said that they know.
    Unacknowledged,
    /// The condition holds, and an operator knows.
    Acknowledged,
    /// The condition is gone before anybody said that they knew.
    ReturnedUnacknowledged,
    /// Latching: the condition is gone, nobody has said that they knew, and a reset is due.
    LatchedUnacknowledged,
    /// Latching: the condition is gone, an operator knows, and a reset is due.
    LatchedAcknowledged,
}

/// What can happen to an alarm in service.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum LifeEvent {
    /// The condition has held for the on-delay.
    Raise,
    /// The condition has been gone for the off-delay.
    Clear,
    /// An operator says that they know.
    Acknowledge,
    /// An operator lets go of a latched alarm.
    Reset,
    /// It was acknowledged and is still active after the site's re-alarm time.
    Realarm,
}

impl LifeEvent {
    /// Every event.
    pub const ALL: [LifeEvent; 5] =
        [LifeEvent::Raise, LifeEvent::Clear, LifeEvent::Acknowledge, LifeEvent::Reset, LifeEvent::Realarm];
}

impl Life {
    /// Every state.
    pub const ALL: [Life; 6] = [
        Life::Normal,
        Life::Unacknowledged,
        Life::Acknowledged,
        Life::ReturnedUnacknowledged,
        Life::LatchedUnacknowledged,
        Life::LatchedAcknowledged,
    ];

    /// The state after `event`; `None` when the event means nothing in this state.
    pub const fn after(self, event: LifeEvent, latching: bool) -> Option<Life> {
        match (self, event) {
            (Life::Normal, LifeEvent::Raise) => Some(Life::Unacknowledged),
            (
                Life::Normal,
                LifeEvent::Clear | LifeEvent::Acknowledge | LifeEvent::Reset | LifeEvent::Realarm,
            ) => None,

            (Life::Unacknowledged, LifeEvent::Acknowledge) => Some(Life::Acknowledged),
            (Life::Unacknowledged, LifeEvent::Clear) if latching => Some(Life::LatchedUnacknowledged),
            (Life::Unacknowledged, LifeEvent::Clear) => Some(Life::ReturnedUnacknowledged),
            (Life::Unacknowledged, LifeEvent::Raise | LifeEvent::Reset | LifeEvent::Realarm) => None,

            (Life::Acknowledged, LifeEvent::Clear) if latching => Some(Life::LatchedAcknowledged),
            (Life::Acknowledged, LifeEvent::Clear) => Some(Life::Normal),
            (Life::Acknowledged, LifeEvent::Realarm) => Some(Life::Unacknowledged),
            (Life::Acknowledged, LifeEvent::Raise | LifeEvent::Acknowledge | LifeEvent::Reset) => None,

            (Life::ReturnedUnacknowledged, LifeEvent::Raise) => Some(Life::Unacknowledged),
            (Life::ReturnedUnacknowledged, LifeEvent::Acknowledge) => Some(Life::Normal),
            (Life::ReturnedUnacknowledged, LifeEvent::Clear | LifeEvent::Reset | LifeEvent::Realarm) => None,

            (Life::LatchedUnacknowledged, LifeEvent::Raise) => Some(Life::Unacknowledged),
            (Life::LatchedUnacknowledged, LifeEvent::Acknowledge) => Some(Life::LatchedAcknowledged),
            (Life::LatchedUnacknowledged, LifeEvent::Clear | LifeEvent::Reset | LifeEvent::Realarm) => None,

            (Life::LatchedAcknowledged, LifeEvent::Raise) => Some(Life::Unacknowledged),
            (Life::LatchedAcknowledged, LifeEvent::Reset) => Some(Life::Normal),
            (Life::LatchedAcknowledged, LifeEvent::Clear | LifeEvent::Acknowledge | LifeEvent::Realarm) => {
                None
            }
        }
    }

    /// Whether the alarm stands raised: its condition was last known to hold.
    pub const fn is_active(self) -> bool {
        match self {
            Life::Unacknowledged | Life::Acknowledged => true,
            Life::Normal
            | Life::ReturnedUnacknowledged
            | Life::LatchedUnacknowledged
            | Life::LatchedAcknowledged => false,
        }
    }

    /// Whether an operator has still to say that they know.
    pub const fn is_unacknowledged(self) -> bool {
        match self {
            Life::Unacknowledged | Life::ReturnedUnacknowledged | Life::LatchedUnacknowledged => true,
            Life::Normal | Life::Acknowledged | Life::LatchedAcknowledged => false,
        }
    }

    /// Whether the condition is gone and the alarm waits for a reset.
    pub const fn is_latched(self) -> bool {
        match self {
            Life::LatchedUnacknowledged | Life::LatchedAcknowledged => true,
            Life::Normal | Life::Unacknowledged | Life::Acknowledged | Life::ReturnedUnacknowledged => false,
        }
    }

    /// The word used in JSON and in the record.
    pub const fn word(self) -> &'static str {
        match self {
            Life::Normal => "normal",
            Life::Unacknowledged => "unacknowledged",
            Life::Acknowledged => "acknowledged",
            Life::ReturnedUnacknowledged => "returned_unacknowledged",
            Life::LatchedUnacknowledged => "latched_unacknowledged",
            Life::LatchedAcknowledged => "latched_acknowledged",
        }
    }

    /// The state whose [`Life::word`] is `word`.
    pub fn from_word(word: &str) -> Option<Life> {
        Life::ALL.into_iter().find(|life| life.word() == word)
    }
}

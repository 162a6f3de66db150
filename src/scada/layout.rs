//! What stands at which address. A contract: an address keeps its meaning for ever; new meanings
//! get addresses that were free, or a new [`LAYOUT`].
//!
//! Addresses are zero-based, as they travel on the wire. Holding and input registers hold the same,
//! and so do coils and discrete inputs: a master may use whichever function it likes.
//!
//! Everything has a number on its list (see [`crate::scada::Numbers`]), and its address follows from
//! the number alone. 0 is never a good state: a master that was handed zeros by something between
//! cannot take them for health.

/// The version of this layout.
pub const LAYOUT: u16 = 1;

/// One of the lists of a site, whose items have numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum List {
    /// The lines.
    Lines,
    /// The devices.
    Devices,
    /// The signals.
    Signals,
    /// The alarms.
    Alarms,
}

impl List {
    /// Every list, in the order of their addresses.
    pub const ALL: [List; 4] = [List::Lines, List::Devices, List::Signals, List::Alarms];

    /// The word for one item of the list.
    pub const fn item(self) -> &'static str {
        match self {
            List::Lines => "line",
            List::Devices => "device",
            List::Signals => "signal",
            List::Alarms => "alarm",
        }
    }

    /// The word for the list.
    pub const fn word(self) -> &'static str {
        match self {
            List::Lines => "lines",
            List::Devices => "devices",
            List::Signals => "signals",
            List::Alarms => "alarms",
        }
    }

    /// The address of number 0.
    pub const fn start(self) -> u16 {
        match self {
            List::Lines => 100,
            List::Devices => 200,
            List::Signals => 1_000,
            List::Alarms => 40_000,
        }
    }

    /// Registers of one number.
    pub const fn registers(self) -> u16 {
        match self {
            List::Lines | List::Devices => 1,
            List::Signals => 8,
            List::Alarms => 2,
        }
    }

    /// How many numbers there are to give, those of items that are gone included. Bits allow
    /// 65,536 / 8 = 8,192 alarms.
    pub const fn numbers_max(self) -> u16 {
        match self {
            List::Lines => 100,
            List::Devices => 800,
            List::Signals => 4_875,
            List::Alarms => 8_192,
        }
    }

    /// The address of the first register of `number`.
    pub const fn address(self, number: u16) -> u16 {
        self.start() + number * self.registers()
    }

    /// What one number holds.
    pub const fn fields(self) -> &'static [Field] {
        match self {
            List::Lines => &[LINE_STATE],
            List::Devices => &[DEVICE_STATE],
            List::Signals => &[SIGNAL_VALUE, SIGNAL_QUALITY, SIGNAL_CONDITION, SIGNAL_AGE_S, SIGNAL_REASONS],
            List::Alarms => &[ALARM_STATE, ALARM_BITS],
        }
    }
}

/// One thing that is told in one or two registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Field {
    /// Where it stands, counted from the first register of what it belongs to.
    pub offset: u16,
    /// How it lies there.
    pub form: Form,
    /// A name for machines.
    pub name: &'static str,
    /// What it says.
    pub meaning: &'static str,
}

/// How something lies in registers: the more significant register first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// One register, unsigned.
    U16,
    /// Two registers, unsigned.
    U32,
    /// Two registers, IEEE 754 binary32.
    F32,
}

impl Form {
    /// The word used in the map.
    pub const fn word(self) -> &'static str {
        match self {
            Form::U16 => "u16",
            Form::U32 => "u32",
            Form::F32 => "f32",
        }
    }

    /// How many registers it takes.
    pub const fn registers(self) -> u16 {
        match self {
            Form::U16 => 1,
            Form::U32 | Form::F32 => 2,
        }
    }
}

const fn field(offset: u16, form: Form, name: &'static str, meaning: &'static str) -> Field {
    Field { offset, form, name, meaning }
}

pub(super) const LINE_STATE: Field =
    field(0, Form::U16, "state", "1 not known, 2 up, 3 down, 4 lent; 0 no line has this number");

pub(super) const DEVICE_STATE: Field =
    field(0, Form::U16, "state", "1 unknown, 2 online, 3 degraded, 4 lost; 0 no device has this number");

pub(super) const SIGNAL_VALUE: Field = field(
    0,
    Form::F32,
    "value",
    "the value in its unit, a state as 0 or 1; use it only as its quality allows",
);
pub(super) const SIGNAL_QUALITY: Field =
    field(2, Form::U16, "quality", "1 good, 2 uncertain, 3 bad; 0 no signal has this number");
pub(super) const SIGNAL_CONDITION: Field = field(
    3,
    Form::U16,
    "condition",
    "NE 107: 0 normal, 1 failure, 2 function_check, 3 out_of_specification, 4 maintenance_required; \
     255 not known",
);
pub(super) const SIGNAL_AGE_S: Field =
    field(4, Form::U16, "age_s", "seconds since it was last read; 65535 that long ago, or never");
pub(super) const SIGNAL_REASONS: Field = field(
    6,
    Form::U32,
    "reasons",
    "why it is not good, or not for long, bits from the least: 0 not_yet_read, 1 communication_lost, 2 stale, \
     3 device_exception, 4 invalid_number, 5 loop_failure_low, 6 loop_failure_high, 7 loop_out_of_range, \
     8 below_range, 9 above_range, 10 sample_condition, 11 settling, 12 function_check, 13 frozen, \
     14 line_noise, 15 line_lent, 16 check_overrun, 17 sensor_wear, 18 sensor_spent, 19 condition_uncertain",
);

pub(super) const ALARM_STATE: Field = field(
    0,
    Form::U16,
    "state",
    "1 normal: only while bit 6 of the bits is 0, else it cannot be judged; 2 unacknowledged, 3 acknowledged, 4 returned_unacknowledged, 5 latched_unacknowledged, \
     6 latched_acknowledged, 7 shelved, 8 suppressed, 9 out_of_service; 0 no alarm has this number",
);
pub(super) const ALARM_BITS: Field = field(
    1,
    Form::U16,
    "bits",
    "bits from the least: 0 active, 1 unacknowledged, 2 latched, 3 shelved, 4 suppressed, \
     5 out_of_service, 6 indeterminate",
);

/// How many bits an alarm has among coils and discrete inputs: those of its register, from the
/// least on.
pub const ALARM_BITS_EACH: u16 = 8;

/// The names of an alarm's bits, from the least on; the last is in reserve and always 0.
pub const ALARM_BIT_NAMES: [&str; 7] =
    ["active", "unacknowledged", "latched", "shelved", "suppressed", "out_of_service", "indeterminate"];

/// Registers about the site as a whole, from address 0; those without a field are in reserve and 0.
pub const SITE_REGISTERS: u16 = 32;

pub(super) const SITE_LAYOUT: Field = field(0, Form::U16, "layout", "the version of this layout, 1");
pub(super) const SITE_REVISION: Field =
    field(1, Form::U16, "revision", "grows by one each time numbers are given to something new");
pub(super) const SITE_HEARTBEAT: Field = field(
    2,
    Form::U16,
    "heartbeat",
    "counts about once a second, after 65535 from 0 again; when it stands still for 10 s, nothing here \
     is the present",
);
pub(super) const SITE_HEALTH: Field = field(
    3,
    Form::U16,
    "health",
    "1 all promises are kept, 2 some are not: /health and the log say which, 3 what is known is too old \
     to be the present",
);
pub(super) const SITE_AGE_S: Field =
    field(4, Form::U16, "age_s", "seconds since what is told here was true; 65535 that long ago");
pub(super) const SITE_BAD_VALUE: Field = field(
    5,
    Form::U16,
    "bad_value",
    "what a bad value is replaced by: 1 not a number, 2 the last good value, 3 a number of the site file",
);
pub(super) const SITE_SEQUENCE: Field =
    field(6, Form::U32, "sequence", "grows with every event, after 4294967295 from 0 again");
pub(super) const SITE_TIME: Field =
    field(8, Form::U32, "time", "when what is told here was true, in seconds since 1970-01-01 UTC");
pub(super) const SITE_GAS: Field = field(
    10,
    Form::U16,
    "gas",
    "1 within_limits, 2 outside_limits, 3 not_known, 4 no_limits: the site has none; \
     5 beyond_pending: a limit is passed, but not for as long as its on-delay yet",
);
pub(super) const SITE_LIMITS_OUTSIDE: Field =
    field(11, Form::U16, "limits_outside", "limits that are passed");
pub(super) const SITE_LIMITS_NOT_KNOWN: Field =
    field(12, Form::U16, "limits_not_known", "limits that cannot be judged");
pub(super) const SITE_ALARMS_ACTIVE: Field =
    field(13, Form::U16, "alarms_active", "alarms whose condition holds now");
pub(super) const SITE_ALARMS_UNACKNOWLEDGED: Field =
    field(14, Form::U16, "alarms_unacknowledged", "alarms that are told and that nobody has acknowledged");
pub(super) const SITE_ALARMS_INDETERMINATE: Field =
    field(15, Form::U16, "alarms_indeterminate", "alarms whose condition cannot be known now");
pub(super) const SITE_ALARMS_WITHHELD: Field =
    field(16, Form::U16, "alarms_withheld", "alarms that are shelved, suppressed or out of service");
pub(super) const SITE_SIGNALS_GOOD: Field = field(17, Form::U16, "signals_good", "signals of good quality");
pub(super) const SITE_SIGNALS_UNCERTAIN: Field =
    field(18, Form::U16, "signals_uncertain", "signals of uncertain quality");
pub(super) const SITE_SIGNALS_BAD: Field =
    field(19, Form::U16, "signals_bad", "signals of bad quality: not measured");

/// Everything about the site as a whole.
pub const SITE_FIELDS: [Field; 18] = [
    SITE_LAYOUT,
    SITE_REVISION,
    SITE_HEARTBEAT,
    SITE_HEALTH,
    SITE_AGE_S,
    SITE_BAD_VALUE,
    SITE_SEQUENCE,
    SITE_TIME,
    SITE_GAS,
    SITE_LIMITS_OUTSIDE,
    SITE_LIMITS_NOT_KNOWN,
    SITE_ALARMS_ACTIVE,
    SITE_ALARMS_UNACKNOWLEDGED,
    SITE_ALARMS_INDETERMINATE,
    SITE_ALARMS_WITHHELD,
    SITE_SIGNALS_GOOD,
    SITE_SIGNALS_UNCERTAIN,
    SITE_SIGNALS_BAD,
];

#[cfg(test)]
mod tests {
    use super::*;

    /// First and last register of each stretch of the map.
    fn stretches() -> Vec<(u32, u32)> {
        let of = |list: List| {
            let start = u32::from(list.start());
            (start, start + u32::from(list.numbers_max()) * u32::from(list.registers()) - 1)
        };
        [(0, u32::from(SITE_REGISTERS) - 1)].into_iter().chain(List::ALL.map(of)).collect()
    }

    #[test]
    fn no_address_has_two_meanings_and_all_can_be_asked_for() {
        let stretches = stretches();
        assert!(stretches.windows(2).all(|pair| pair[0].1 < pair[1].0), "{stretches:?}");
        assert!(stretches.iter().all(|(_, last)| *last <= 0xFFFF), "{stretches:?}");
        assert!(u32::from(List::Alarms.numbers_max()) * u32::from(ALARM_BITS_EACH) <= 0x1_0000);
        let whole = List::ALL.map(|list| (list.registers(), list.fields()));
        for (registers, fields) in whole.into_iter().chain([(SITE_REGISTERS, &SITE_FIELDS[..])]) {
            let ends = fields.iter().map(|field| field.offset + field.form.registers());
            let starts = fields.iter().skip(1).map(|field| field.offset).chain([registers]);
            assert!(ends.zip(starts).all(|(end, next)| end <= next), "{fields:?}");
        }
    }

    #[test]
    fn what_takes_two_registers_stands_at_an_even_address() {
        let lists =
            List::ALL.into_iter().flat_map(|list| list.fields().iter().map(move |f| (list.start(), f)));
        for (start, field) in lists.chain(SITE_FIELDS.iter().map(|field| (0, field))) {
            assert!(field.form.registers() == 1 || (start + field.offset).is_multiple_of(2), "{field:?}");
        }
        assert!(List::Signals.registers().is_multiple_of(2));
    }
}

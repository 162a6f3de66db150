//! Every table of the site file and every key in it, declared once.
//!
//! These sentences are also the reference in `docs/configuration.md`: write them for the technician
//! who has the file open.

use jiff::civil::Time;
use jiff::tz::TimeZone;
use schemars::Schema;
use toml::de::{DeTable, DeValue};

use super::Presence::{Default, Otherwise, Required};
#[cfg(test)]
use super::accepts;
use super::physical::{AirPressure, Temperature};
use super::{
    At, BadValue, Bounded, Field, Id, Key, KindWord, Lasting, Listen, OverWhat, Percent, Positive, Reader,
    Shape, Share, Size, StateNames, StateWord, TableKeys, TcpAddress, Text, schema, table,
};
use crate::alarm::{Priority, WhenLost};
use crate::config::problem::{Problem, Span};
use crate::config::{Asks, Framing, Parity};
use crate::signal::{Order, Table, ValueType};
use crate::units::Substance;

const SECOND_MS: u64 = 1000;
const MINUTE_MS: u64 = 60 * SECOND_MS;
const HOUR_MS: u64 = 60 * MINUTE_MS;
const DAY_MS: u64 = 24 * HOUR_MS;
const YEAR_MS: u64 = 365 * DAY_MS;

/// How often a device may be asked.
pub(in crate::config) type PollEvery = Lasting<10, HOUR_MS>;
/// How old a sample may become.
pub(in crate::config) type StaleAfter = Lasting<10, DAY_MS>;
/// How long something must last before it counts.
pub(in crate::config) type Delay = Lasting<0, DAY_MS>;
/// The time in which an alarm looks for a trend, or for any movement.
pub(in crate::config) type Window = Lasting<SECOND_MS, { 7 * DAY_MS }>;
/// How long people may take.
pub(in crate::config) type Attention = Lasting<SECOND_MS, { 7 * DAY_MS }>;
/// Parts of one question and answer.
pub(in crate::config) type Pause = Lasting<0, { 10 * SECOND_MS }>;
/// How long an RS-485 driver may take to switch: the kernel allows no more.
pub(in crate::config) type SwitchDelay = Lasting<0, 100>;

/// Every table in the order in which they are best told.
pub(in crate::config) fn every_table() -> Vec<TableKeys> {
    vec![
        SiteTable::keys(),
        GasReferenceTable::keys(),
        History::keys(),
        Http::keys(),
        Scada::keys(),
        Control::keys(),
        Line::keys(),
        Rs485::keys(),
        Device::keys(),
        Calibration::keys(),
        Sensor::keys(),
        Signal::keys(),
        Current::keys(),
        Scale::keys(),
        Guard::keys(),
        Alarm::keys(),
        MeasurementLost::keys(),
        Shelving::keys(),
        PushButton::keys(),
    ]
}

table! {
    /// The whole file.
    Root = "the site file" {
        /// The meter building.
        site: SiteTable = Required, "{ id = \"willow-bend\" }";
        /// At which volumes of gas are counted.
        gas_reference: GasReferenceTable = Default("{}"), "{}";
        /// How samples are kept.
        history: History = Default("{}"), "{}";
        /// The status page.
        http: Http = Default("{}"), "{}";
        /// What SCADA masters read.
        scada: Scada = Otherwise("off"), "{ listen = \"127.0.0.1:1502\" }";
        /// Where operator commands come in.
        control: Control = Default("{}"), "{}";
        /// The lines.
        line: Vec<At<Line>> = Default("[]"), "[]";
        /// The devices.
        device: Vec<At<Device>> = Default("[]"), "[]";
        /// The alarms.
        alarm: Vec<At<Alarm>> = Default("[]"), "[]";
        /// The alarms that speak when a measurement is lost.
        measurement_lost: MeasurementLost = Default("{}"), "{}";
        /// For how long operators may set alarms aside.
        shelving: Shelving = Default("{}"), "{}";
        /// The building's push-buttons.
        push_button: Vec<At<PushButton>> = Default("[]"), "[]";
    }
}

table! {
    /// The signals of one kind of device, written once for all devices of that kind.
    Profile = "a profile" {
        /// Its signals.
        signal: Vec<At<Signal>> = Default("[]"), "[]";
    }
}

table! {
    /// One meter building: everything one daemon watches.
    SiteTable = "[site]" {
        /// Short and stable, for machines.
        id: Id = Required, "\"willow-bend\"";
        /// What people call it.
        name: Text = Otherwise("the id"), "\"Willow Bend Interconnect\"";
        /// The zone in which people there live, by its IANA name.
        time_zone: TimeZone = Default("\"UTC\""), "\"America/Chicago\"";
        /// When a gas day begins, in that zone. A gas day is 23 or 25 hours long when clocks change.
        gas_day_start: Time = Default("\"09:00\""), "\"09:00\"";
        /// The usual pressure of the air there. Needed only to compare gauge with absolute pressures.
        ambient_pressure: AirPressure = Otherwise("not told"), "\"14.4 psia\"";
    }
}

table! {
    /// The temperature and pressure at which the site counts volumes of gas: its cubic feet and cubic
    /// metres, standard or not. Used where mass in a volume is compared with moles. Contracts differ:
    /// 14.65, 14.696 and 14.73 psia are in use, and they move a content in grains by half a percent.
    GasReferenceTable = "[gas_reference]" {
        /// The temperature.
        temperature: Temperature = Default("\"60 degF\""), "\"60 degF\"";
        /// The absolute pressure.
        pressure: AirPressure = Default("\"14.73 psia\""), "\"14.73 psia\"";
    }
}

table! {
    /// How samples are kept. Journal and history lie in the data directory. What reaches either
    /// limit first is given up, oldest samples first; the journal of events is never cut.
    History = "[history]" {
        /// Samples older than this are given up. A year counts 365 days.
        keep_samples: Lasting<{ DAY_MS }, { 100 * YEAR_MS }> = Default("\"3y\""), "\"3y\"";
        /// The most that the sample file may take on disk.
        max_size: Size = Default("\"8GiB\""), "\"8GiB\"";
        /// How long a sample may wait for the disk, and how much a power cut may cost. Less than a
        /// minute writes more: at a small site 5 s about four times as much. Samples around an alarm
        /// never wait.
        flush_every: Lasting<{ 5 * SECOND_MS }, MINUTE_MS> = Default("\"60s\""), "\"60s\"";
    }
}

table! {
    /// The status page, JSON and metrics. Read-only. Unless `tokens` are asked for, whoever can reach it can
    /// read it; unless there is a `certificate`, nothing is encrypted.
    Http = "[http]" {
        /// Where it listens. Without this table it listens on the box itself and nowhere else; to have
        /// no HTTP at all, say "off".
        listen: Listen = Default("\"127.0.0.1:8485\""), "\"127.0.0.1:8485\"";
        /// The certificate with its chain (PEM), relative to the site file: with it, everything is encrypted
        /// (TLS 1.2 or 1.3) and nothing else is spoken. Needs `key`.
        certificate: Text = Otherwise("not encrypted"), "\"tls/siskin.crt\"";
        /// The certificate's private key (PEM), relative to the site file. Nobody but its owner and group
        /// may read it.
        key: Text = Otherwise("no certificate"), "\"tls/siskin.key\"";
        /// A file of tokens, one a line, relative to the site file: only who sends one of them can read, as a
        /// bearer token or, in a browser, as the password. Nobody but its owner and group may read it.
        tokens: Text = Otherwise("whoever can reach it can read"), "\"tokens\"";
    }
}

table! {
    /// A read-only Modbus TCP server for SCADA masters; without this table there is none. `siskin map` prints
    /// its registers. Modbus has no password: whoever can reach it can read it.
    Scada = "[scada]" {
        /// Where it listens. Port 502, which is Modbus's own, needs a privilege.
        listen: Listen = Required, "\"192.0.2.20:1502\"";
        /// What the registers of a value hold while the value is bad: "nan", IEEE 754's *not a number*;
        /// "last_good", the last good value; or a number of your own that cannot be a measurement, for a
        /// master that knows no NaN. The quality beside the value tells in every case.
        bad_value: BadValue = Default("\"nan\""), "\"nan\"";
    }
}

table! {
    /// The local socket through which operator commands (acknowledge, reset) come in.
    Control = "[control]" {
        /// Its path, relative to the data directory.
        socket: Text = Default("\"control.sock\""), "\"control.sock\"";
    }
}

table! {
    /// One Modbus line: a serial port, or a TCP connection. Lines never wait for each other.
    Line = "[[line]]" {
        /// Unique among the lines.
        id: Id = Required, "\"east\"";
        /// The serial port, for a line of RTU frames. A name under /dev/serial/by-id stays the same
        /// when adapters are plugged in another order.
        serial: Text = Otherwise("the line has `tcp`"), "\"/dev/ttyUSB0\"";
        /// Host and port, for a line over TCP.
        tcp: TcpAddress = Otherwise("the line has `serial`"), "\"192.0.2.10:4001\"";
        /// What travels on the TCP connection: "rtu" for a serial device server that passes RTU frames
        /// on, "tcp" for Modbus TCP. Needed with `tcp`.
        framing: Framing = Otherwise("RTU frames on a serial port"), "\"rtu\"";
        /// Bits per second. The default is the standard's (Modbus over Serial Line V1.02, section 3.2).
        /// With `tcp` and framing "rtu": the speed behind the device server, which sets the silence
        /// kept between frames.
        baud: Bounded<u32, 300, 4_000_000> = Otherwise("19200 on a serial port"), "9600";
        /// The parity bit. The default is the standard's.
        parity: Parity = Otherwise("\"even\" on a serial port"), "\"none\"";
        /// Stop bits. The standard wants 2 when there is no parity, so that a character always has 11
        /// bits; most devices without parity send 1, so 2 must be asked for.
        stop_bits: Bounded<u8, 1, 2> = Otherwise("1"), "1";
        /// Has the kernel switch between sending and receiving, on ports whose hardware does not: mostly
        /// those of embedded boards. Adapters on USB switch by themselves, and take no notice of it.
        rs485: Rs485 = Otherwise("the adapter switches by itself"), "{ rts_on_send = true }";
        /// How long an answer may take, from the end of the question to its first byte.
        response_timeout: Lasting<10, { 60 * SECOND_MS }> =
            Otherwise("\"500ms\" on a serial port, \"1s\" over TCP"), "\"500ms\"";
        /// How often a question is asked again before it counts as not answered.
        retries: Bounded<u8, 0, 10> = Default("1"), "1";
        /// The longest pause between questions to a device that does not answer.
        silence_max: Lasting<{ SECOND_MS }, { HOUR_MS }> = Default("\"60s\""), "\"60s\"";
    }
}

table! {
    /// How the kernel switches the RS-485 driver of a serial port between sending and receiving, by its
    /// RTS line. Which level sends depends on the board's wiring.
    Rs485 = "rs485" {
        /// Whether RTS is on while sending.
        rts_on_send: bool = Default("true"), "true";
        /// Whether RTS is on otherwise.
        rts_after_send: bool = Default("false"), "false";
        /// How long to wait between switching and the first character.
        delay_before: SwitchDelay = Default("\"0s\""), "\"1ms\"";
        /// How long to wait between the last character and switching back. Too long, and the beginning of
        /// the answer is lost.
        delay_after: SwitchDelay = Default("\"0s\""), "\"1ms\"";
    }
}

table! {
    /// One unit id on a line: an analyzer, an analog-input module, a flow computer.
    Device = "[[device]]" {
        /// Unique among the devices.
        id: Id = Required, "\"h2s-1\"";
        /// What people call it.
        name: Text = Otherwise("the id"), "\"Trace hydrogen sulfide\"";
        /// The id of its line.
        line: Text = Required, "\"east\"";
        /// Its unit id: 1 to 247, on a Modbus TCP line 0 to 255. No two devices of a line share one.
        unit_id: Bounded<u8, 0, 255> = Required, "1";
        /// How often its signals are read.
        poll_every: PollEvery = Default("\"1s\""), "\"1s\"";
        /// A TOML file of `[[signal]]` tables, relative to the site file. The device has its signals;
        /// a `[[device.signal]]` with the id of one of them changes just the keys it gives.
        profile: Text = Otherwise("all signals stand in the site file"), "\"profiles/trace-h2s.toml\"";
        /// The most registers it takes in one request, when fewer than the standard's 125.
        max_registers: Bounded<u16, 1, 125> = Default("125"), "16";
        /// How long it takes to answer; the load of the line is computed with it.
        turnaround: Pause = Otherwise("learned"), "\"20ms\"";
        /// Silence it needs before a question, beyond the standard's 3.5 characters.
        quiet: Pause = Default("\"0s\""), "\"5ms\"";
        /// How old a signal's last answer may become before it no longer counts.
        stale_after: StaleAfter = Otherwise("three times `poll_every`, at least \"3s\""), "\"5s\"";
        /// How often and how well it is calibrated.
        calibration: Calibration = Default("{}"), "{ every = \"30d\" }";
        /// What its sensor can bear, where it has one that wears.
        sensor: Sensor = Otherwise("nobody is reminded"), "{ signal = \"concentration\", life = \"2y\" }";
        /// Its signals.
        signal: Vec<At<Signal>> = Default("[]"), "[]";
    }
}

table! {
    /// What a device needs of the people who calibrate it.
    Calibration = "[device.calibration]" {
        /// How far a reading may be from the calibration gas, in % of the signal's span. Common practice,
        /// without a source: put in what your contract or the maker says.
        tolerance: Percent = Default("2.0"), "2.0";
        /// How long after the last reading as left a calibration is due. Then an alarm of low priority,
        /// `DEVICE.calibration_due`, is raised; a device of which no calibration is on record has it at
        /// once.
        every: Lasting<HOUR_MS, { 10 * YEAR_MS }> = Otherwise("nobody is reminded"), "\"30d\"";
        /// The longest time for which it may be taken into function check.
        function_check_max: Lasting<MINUTE_MS, DAY_MS> = Default("\"4h\""), "\"4h\"";
    }
}

table! {
    /// A sensor that wears, and is changed from time to time. `siskin sensor change` tells when that was.
    Sensor = "[device.sensor]" {
        /// The device's signal that it measures, a number.
        signal: Text = Required, "\"concentration\"";
        /// How long it lasts in the analyzer, by its maker.
        life: Lasting<HOUR_MS, { 50 * YEAR_MS }> = Otherwise("its age wears it in no known way"), "\"2y\"";
        /// How much gas it can bear, by its maker: the signal's unit times hours, ppm-hours for a signal in
        /// ppmv.
        exposure_max: Positive = Otherwise("gas wears it in no known way"), "20000.0";
        /// When so much of its life or of its exposure is left, in %, its signal says that maintenance is
        /// required. Past either its signal is uncertain. Common practice, without a source.
        warn_left: Percent = Default("10.0"), "10.0";
        /// How long a new one settles, unless whoever changes it says otherwise. Common practice, without a
        /// source: put in what the maker says.
        settle: Lasting<0, { 7 * DAY_MS }> = Default("\"2h\""), "\"2h\"";
        /// Whether the alarm `DEVICE.sensor_due`, of low priority, is raised once it is past either, or
        /// while nothing is on record of it.
        due_alarm: bool = Default("true"), "true";
    }
}

table! {
    /// One value of a device. In a profile the same table is called `[[signal]]`.
    Signal = "[[device.signal]]" {
        /// Unique in its device. Elsewhere the signal is called `device.signal`.
        id: Id = Required, "\"concentration\"";
        /// What people call it.
        name: Text = Otherwise("none"), "\"H2S in gas\"";
        /// Its ISA-5.1 tag.
        tag: Text = Otherwise("none"), "\"AIT-1101\"";
        /// The table of the Modbus data model it is read from.
        table: Table = Otherwise("told by a five- or six-digit `reference`"), "\"input\"";
        /// Zero-based address, as sent on the wire. Exactly one of `address` and `reference`.
        address: Bounded<u16, 0, 65535> = Otherwise("the signal has `reference`"), "0";
        /// One-based number, as most register lists print it: 30001 is the first input register,
        /// address 0. 10001 to 19999, 30001 to 39999 and 40001 to 49999 tell the table, and so do six
        /// digits from 100001, 300001 and 400001 on; 1 to 9999 need `table`.
        reference: Bounded<u32, 1, 465_536> = Otherwise("the signal has `address`"), "30001";
        /// How the value lies in the registers.
        r#type: ValueType =
            Otherwise("\"bool\" in a bit table or with `bit`; otherwise it must be given"), "\"f32\"";
        /// Picks one bit out of a register, 0 for the least significant.
        bit: Bounded<u8, 0, 15> = Otherwise("the whole register"), "3";
        /// Which register of a value wider than one comes first. Devices differ.
        word_order: Order = Default("\"high_first\""), "\"low_first\"";
        /// Which byte of each register comes first. The standard says high first; some devices differ.
        byte_order: Order = Default("\"high_first\""), "\"low_first\"";
        /// The unit of the value, after scaling.
        unit: Text = Otherwise("none"), "\"ppmv\"";
        /// What it measures the content of. Needed only where mass is compared with moles.
        substance: Substance = Otherwise("not told"), "\"hydrogen sulfide\"";
        /// The measuring range, in the unit: a value outside it is out of specification.
        range: [f64; 2] = Otherwise("not checked"), "[0.0, 20.0]";
        /// For a 4–20 mA loop: how the input module's counts become milliamps. The limits of NAMUR NE 43
        /// then apply: 3.8 to 20.5 mA is a measurement, 3.6 or less and 21.0 or more a failure.
        current: Current = Otherwise("not a current loop"),
            "{ raw = [0, 65535], milliamps = [0.0, 24.0] }";
        /// How the raw number, or the milliamps, become the unit.
        scale: Scale = Otherwise("taken as it is"), "{ from = [4.0, 20.0], to = [0.0, 20.0] }";
        /// Names for the two states of a bit, or for the codes of an integer. A code without a name is
        /// not a valid reading.
        states: StateNames = Otherwise("none"), "{ false = \"measuring\", true = \"calibrating\" }";
        /// Conditions on other signals. All must hold, else the value is not a measurement.
        valid_when: Vec<At<Guard>> = Default("[]"), "[{ signal = \"flow\", above = 0.5 }]";
        /// How long samples stay uncertain once the conditions hold again, while the sample line is
        /// flushed.
        settle: Delay = Default("\"0s\""), "\"3m\"";
        /// How often it is read.
        poll_every: PollEvery = Otherwise("the device's"), "\"10s\"";
        /// How old its last answer may become before it no longer counts.
        stale_after: StaleAfter =
            Otherwise("the device's, if given; else three times `poll_every`, at least \"3s\""), "\"30s\"";
    }
}

table! {
    /// How the counts of an analog-input module become milliamps: a straight line through two points.
    /// A module whose counts end at 20 mA cannot show a failure of 21 mA and more.
    Current = "current" {
        /// Two different raw values.
        raw: [f64; 2] = Required, "[0, 65535]";
        /// The milliamps at these values.
        milliamps: [f64; 2] = Required, "[0.0, 24.0]";
    }
}

table! {
    /// A straight line through two points. Values beyond the points are extrapolated, never clamped.
    Scale = "scale" {
        /// Two different inputs.
        from: [f64; 2] = Required, "[4.0, 20.0]";
        /// The values in the unit at these inputs.
        to: [f64; 2] = Required, "[0.0, 20.0]";
    }
}

table! {
    /// A condition on another signal: `signal` and exactly one of the others.
    Guard = "valid_when or suppress_when" {
        /// The signal that is looked at: `device.signal`; in `valid_when` also `signal` of the same device.
        signal: Text = Required, "\"flow\"";
        /// It must be greater than this.
        above: f64 = Otherwise("another test is given"), "0.5";
        /// It must be less than this.
        below: f64 = Otherwise("another test is given"), "120.0";
        /// It must lie between these, ends included.
        between: [f64; 2] = Otherwise("another test is given"), "[2.0, 120.0]";
        /// It must be in this state: true or false, the name of a state, or an integer code.
        is: StateWord = Otherwise("another test is given"), "false";
    }
}

table! {
    /// One alarm. Words as in IEC 62682. A key that its kind does not use is an error.
    Alarm = "[[alarm]]" {
        /// Unique among the alarms.
        id: Id = Required, "\"h2s-high\"";
        /// What people call it.
        name: Text = Required, "\"H2S above contract limit\"";
        /// The signal it watches, as `device.signal`. Every kind but `vote` needs one.
        signal: Text = Otherwise("only for `vote`"), "\"h2s-1.concentration\"";
        /// What it watches for. `high`, `low`: the value is above or below the setpoint. `rise`, `fall`: it
        /// changes faster than the setpoint. `average_high`, `average_low`: its time-weighted average is
        /// above or below the setpoint. `deviation`: it is further from another signal than the setpoint.
        /// `frozen`: it does not move although the device answers. `state`: a bit or code is in a state.
        /// `lost`: there is no valid measurement. `vote`: so many of several other alarms are active.
        kind: KindWord = Required, "\"high\"";
        /// The limit, for `high`, `low`, the averages, `rise`, `fall` and `deviation`, which need it. In the
        /// signal's unit; for `rise` and `fall` in that unit per minute, without a sign. At the limit
        /// the alarm is not raised.
        setpoint: f64 = Otherwise("only for kinds without a limit"), "4.0";
        /// How far the value, the rate, the average or the difference must come back from the setpoint
        /// before the alarm clears.
        deadband: f64 = Otherwise("0.0"), "0.2";
        /// For `rise` and `fall`, which need it: the time over which the rate is found, as the slope of a
        /// straight line through all samples. For `frozen`, which needs it: how long the value must not
        /// have moved.
        window: Window = Otherwise("only for other kinds"), "\"10m\"";
        /// For `average_high` and `average_low`, which need it: the time just past, such as "24h", judged
        /// at each sample; or each clock hour or gas day of the site, judged when it is over.
        over: OverWhat = Otherwise("only for other kinds"), "\"24h\"";
        /// For averages: the least share of that time with a valid measurement. With less the average is
        /// not known, and the alarm neither rises nor clears. Three quarters are common practice, without
        /// a source: put in what your contract says.
        coverage_min: Share = Otherwise("0.75"), "0.75";
        /// For `deviation`, which needs it: the signal that should agree, as `device.signal`. Its value is
        /// converted to the unit of `signal`.
        with: Text = Otherwise("only for other kinds"), "\"ai-1.h2s-loop\"";
        /// For `frozen`: a change of this much or less is none.
        resolution: f64 = Otherwise("0.0"), "0.01";
        /// For `state`: the state that raises it; true or false, a state's name, or an integer code.
        is: StateWord = Otherwise("`in` is given"), "\"fault\"";
        /// For `state`: several states that raise it.
        r#in: Vec<At<StateWord>> = Otherwise("`is` is given"), "[\"fault\", \"warming up\"]";
        /// For `vote`, which needs it: the ids of the alarms that are counted, such as "h2s-high"; for a
        /// *measurement lost* alarm `device.signal.lost`.
        of: Vec<At<Text>> = Otherwise("only for other kinds"), "[\"h2s-high\", \"h2s-loop-high\"]";
        /// For `vote`, which needs it: how many of them must be active.
        at_least: Bounded<usize, 1, 64> = Otherwise("only for other kinds"), "2";
        /// What becomes of it when its signal is not measured: "hold", it keeps what it knew; "alarm", the
        /// loss counts as its condition.
        when_lost: WhenLost = Otherwise("\"hold\""), "\"alarm\"";
        /// For `high`, `low` and the averages: whether the gas itself must keep this limit, so that siskin says
        /// "outside limits" while it is passed. On a content of the gas, such as ppmv, it always counts.
        gas_limit: bool = Otherwise("true, but for a flow or pressure that a `valid_when` looks at"), "true";
        /// While all these conditions on other signals hold, nobody is told of it: suppressed by design.
        suppress_when: Vec<At<Guard>> = Default("[]"), "[{ signal = \"h2s-1.calibrating\", is = true }]";
        /// How long the condition must hold before the alarm is raised.
        on_delay: Delay = Otherwise("\"0s\"; for `lost` the delay of `[measurement_lost]`"), "\"10s\"";
        /// How long the condition must be gone before the alarm clears.
        off_delay: Delay = Default("\"0s\""), "\"30s\"";
        /// Whether it stays until an operator resets it.
        latching: bool = Default("false"), "true";
        /// When it was acknowledged and is still active after this time, it asks for attention again.
        realarm_after: Attention = Otherwise("it does not"), "\"4h\"";
        /// The name of its group: of the alarms with the same name the one that comes first is marked.
        first_out: Id = Otherwise("none"), "\"treater-trip\"";
        /// How urgently an operator must act.
        priority: Priority = Default("\"medium\""), "\"high\"";
        /// What may have brought it about.
        cause: Text = Otherwise("none"), "\"Sour gas from the west field.\"";
        /// What happens when nobody acts.
        consequence: Text = Otherwise("none"), "\"Gas out of contract reaches the line.\"";
        /// What to do.
        action: Text = Otherwise("none"), "\"Confirm with a stain tube, then call gas control.\"";
        /// How long the operator has before the consequence sets in.
        time_to_respond: Attention = Otherwise("not said"), "\"30m\"";
    }
}

table! {
    /// Every signal that bears an alarm also gets a *measurement lost* alarm, `device.signal.lost`: an
    /// alarm that cannot be evaluated must not look like one that is normal. So does the other signal of
    /// a `deviation`. A `lost` alarm of the file's own on that signal takes its place.
    MeasurementLost = "[measurement_lost]" {
        /// How long the measurement must be lost before the alarm is raised.
        delay: Delay = Default("\"30s\""), "\"30s\"";
        /// How urgently an operator must act.
        priority: Priority = Default("\"medium\""), "\"medium\"";
        /// Signals that get no such alarm, as `device.signal`.
        off_for: Vec<At<Text>> = Default("[]"), "[\"h2s-1.concentration\"]";
    }
}

table! {
    /// Operators may shelve an alarm: set it aside for a time.
    Shelving = "[shelving]" {
        /// The longest time an alarm may be shelved for.
        max: Lasting<{ MINUTE_MS }, { 30 * DAY_MS }> = Default("\"12h\""), "\"12h\"";
    }
}

table! {
    /// A push-button in the building that acts as an operator would, on every alarm for which that means
    /// something. It must be seen released, then pressed: a button that is held down when its device comes
    /// back does nothing.
    PushButton = "[[push_button]]" {
        /// The bool it is read from, as `device.signal`; true while pressed. Each signal is one button.
        signal: Text = Required, "\"ai-1.acknowledge\"";
        /// What pressing it asks.
        asks: Asks = Required, "\"acknowledge\"";
    }
}

impl Root {
    /// The root of a text that is TOML.
    pub(in crate::config) fn of(reader: &mut Reader, table: DeTable) -> Option<Root> {
        Root::read(reader, "", Span::new(reader.file, 0..0), &DeValue::Table(table))
    }
}

impl Profile {
    /// The profile in a text that is TOML.
    pub(in crate::config) fn of(reader: &mut Reader, table: DeTable) -> Option<Profile> {
        Profile::read(reader, "", Span::new(reader.file, 0..0), &DeValue::Table(table))
    }
}

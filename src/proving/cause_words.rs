//! What the likely causes are called, to machines and to people, and where each has a person look.
//!
//! The words are a contract with everybody who reads the journal: they may be added to, never changed.

use crate::proving::causes::{Cause, Side};

impl Cause {
    /// The word in the journal and in JSON.
    pub const fn word(&self) -> &'static str {
        match self {
            Cause::NotRead => "not_read",
            Cause::NoCurrent => "no_current",
            Cause::FaultCurrent => "fault_current",
            Cause::NoLoopTest => "no_loop_test",
            Cause::Stuck => "stuck",
            Cause::Reversed => "reversed",
            Cause::SentFromNought => "sent_from_0_ma",
            Cause::TakenFromNought => "taken_from_0_ma",
            Cause::SaturatedHigh(_) => "saturated_high",
            Cause::SaturatedLow(_) => "saturated_low",
            Cause::Shunt(_) => "shunt",
            Cause::Leakage => "leakage",
            Cause::Offset(_) => "offset",
            Cause::Span(_) => "span",
            Cause::OffsetAndSpan => "offset_and_span",
            Cause::Bent => "bent",
            Cause::Noise(_) => "noise",
            Cause::WrongRange(_) => "wrong_range",
            Cause::WrongUnit(_) => "wrong_unit",
            Cause::SiteScale => "site_scale",
            Cause::RegisterStuck => "register_stuck",
            Cause::DisplayApart => "display_apart",
        }
    }

    /// What it is, with its figure, in a sentence without its full stop.
    pub fn sentence(&self) -> String {
        match self {
            Cause::SaturatedHigh(milliamps) => format!("the loop rises no further than {milliamps:.2} mA"),
            Cause::SaturatedLow(milliamps) => format!("the loop falls no further than {milliamps:.2} mA"),
            Cause::Shunt(factor) => format!(
                "the current is wrong in proportion, {factor:.3} times what it should be: a part of it takes \
                 another way, or the input's resistor has another value"
            ),
            Cause::Offset(share) => format!("off by {:+.2} % of the span everywhere", share * 100.0),
            Cause::Span(factor) => {
                format!("right at 4 mA, and above it {factor:.3} times what it should be")
            }
            Cause::Noise(share) => format!("the loop trembles by {:.2} % of the span", share * 100.0),
            Cause::WrongRange(factor) => format!("two ranges that differ by a factor of {factor:.4}"),
            Cause::WrongUnit(unit) => format!("a number in {unit} is taken for one in the register's unit"),
            Cause::NotRead => "the loop, or what it is compared with, could not be read".to_owned(),
            Cause::NoCurrent => "no current flows".to_owned(),
            Cause::FaultCurrent => {
                "the current stands where NE 43 has failure: 3.6 mA or less, 21 mA or more".to_owned()
            }
            Cause::NoLoopTest => {
                "the loop carries what the register says of the gas, and not the points".to_owned()
            }
            Cause::Stuck => "the loop stands still while the points change".to_owned(),
            Cause::Reversed => "the loop falls where it should rise".to_owned(),
            Cause::SentFromNought => "0–20 mA is taken for 4–20 mA".to_owned(),
            Cause::TakenFromNought => "4–20 mA is taken for 0–20 mA".to_owned(),
            Cause::Leakage => "current is added, most at the bottom of the range".to_owned(),
            Cause::OffsetAndSpan => "off at both ends, and straight between them".to_owned(),
            Cause::Bent => "the points lie on no straight line".to_owned(),
            Cause::SiteScale => {
                "the site file scales the loop otherwise than the analyzer's range".to_owned()
            }
            Cause::RegisterStuck => "the register stands still while the display moves".to_owned(),
            Cause::DisplayApart => "display and register differ, and no unit explains it".to_owned(),
        }
    }

    /// Where to look.
    pub const fn look(&self) -> &'static str {
        match self {
            Cause::NotRead => {
                "See `siskin status`: is the analog-input module answering, is the analyzer? Then the wiring of \
                 the line (docs/lines.md)."
            }
            Cause::NoCurrent => {
                "An open circuit, no loop supply, a blown fuse, reversed polarity, the wrong terminals; an \
                 output that needs a supply, or one that has its own."
            }
            Cause::FaultCurrent => {
                "The analyzer signals its own failure: read its display. Otherwise a short circuit, or an open one."
            }
            Cause::NoLoopTest => {
                "Is the loop test really on, and set to each point before Enter? Is it that of this analyzer? Loop and \
                 register agree; walk again."
            }
            Cause::Stuck => {
                "Is this the loop of this analyzer, or that of its neighbour? Is the output held, as some \
                 analyzers do in a menu? Is the loop test really on?"
            }
            Cause::Reversed => {
                "The output is set to reverse action, or the two ends of a range are swapped: in the analyzer, \
                 in the input module, or in `scale` of the site file."
            }
            Cause::SentFromNought | Cause::TakenFromNought => {
                "Compare the range of the analyzer's output, that of the input module, and `current` in the site \
                 file: one of them begins at 0 mA and the others at 4 mA. A meter in the loop tells which end."
            }
            Cause::SaturatedHigh(_) => {
                "The supply cannot drive more current through so much resistance: cable, barrier, and \
                 the resistor of a voltage input. Or an input that ends there, or a sensor at the end of its range."
            }
            Cause::SaturatedLow(_) => {
                "An output with a lowest current of its own, an input that ends there, or a second source in the \
                 loop."
            }
            Cause::Shunt(_) => {
                "A second device or a wet terminal in parallel with the input, or a missing or doubled resistor \
                 at a 1–5 V input: 250 ohm make 1–5 V of 4–20 mA."
            }
            Cause::Leakage => {
                "Moisture across the analyzer's terminals, in a junction box or a conduit; damaged insulation."
            }
            Cause::Offset(_) => {
                "The trim at 4 mA of output or input, a second earth in the loop, or a fixed offset in a scale."
            }
            Cause::Span(_) => {
                "The trim at 20 mA of output or input, or another upper end of the range in the analyzer than \
                 here."
            }
            Cause::OffsetAndSpan => {
                "Both trims of output or input, or another range in the analyzer than here at both ends."
            }
            Cause::Bent => {
                "Was each point given time to settle? A curve set in the analyzer, a failing output or input, \
                 a point that was mistyped."
            }
            Cause::Noise(_) => {
                "A second earth in the loop, a shield that is earthed at both ends or at none, power cables beside \
                 it, a loose terminal."
            }
            Cause::WrongRange(_) => {
                "Compare the range set in the analyzer for its output with `range` and `scale` in the site file; \
                 a register may also count in tenths or thousandths (`siskin read --expect`)."
            }
            Cause::WrongUnit(_) => {
                "The unit set in the analyzer for display, output or register, and `unit` in the site file."
            }
            Cause::SiteScale => {
                "`scale` of the loop in the site file: `from` is [4.0, 20.0], and `to` the range of the analyzer's \
                 output."
            }
            Cause::RegisterStuck => {
                "The address: a register beside the wanted one, or one that holds the last value on purpose."
            }
            Cause::DisplayApart => {
                "Type and word order (`siskin read --expect`), averaging of one of the two, or another quantity \
                 on the display, such as an average or a peak."
            }
        }
    }
}

impl Side {
    /// The word in the journal and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Side::Analyzer => "analyzer",
            Side::Input => "input",
        }
    }

    /// In a sentence.
    pub const fn sentence(self) -> &'static str {
        match self {
            Side::Analyzer => {
                "The meter agrees with siskin: the current itself is wrong. Look at the analyzer's output, its \
                 settings, and the wiring before the meter."
            }
            Side::Input => {
                "The meter shows what it should: the current is right and is read wrongly. Look at the input \
                 module, its resistor, and the site file, and at the wiring behind the meter."
            }
        }
    }
}

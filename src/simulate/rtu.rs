//! A serial line as its devices hear it: questions that take their time to arrive, silences that
//! end them, answers character by character.
//!
//! Pure: bytes and the time go in; bytes with the time they are due come out. A pseudo-terminal
//! hands over a question all at once, so the time its characters would have taken is counted here.

use std::collections::VecDeque;

use crate::config::{Parity, SerialSettings};
use crate::moment::Mono;
use crate::simulate::frame::{FRAME_BYTES_MAX, rtu_frame, rtu_parts};
use crate::simulate::line::Answer;
use crate::simulate::{Fault, Line, Pace, Wire, uart};

/// So many characters are handed over at once at most, as from the receive buffer of a serial port.
const CHARACTERS_AT_ONCE_MAX: usize = 4;

/// A line that is held low reads as a zero.
const BREAK: u8 = 0x00;
/// A line that wavers about high reads as a start bit and ones.
const IDLE_NOISE: u8 = 0xFF;

/// So many frames wait to be sent at most; what comes on top is dropped.
const OUTGOING_MAX: usize = 16;

/// One end of a line that carries RTU frames.
#[derive(Debug)]
pub struct RtuWire {
    pace: Pace,
    /// Whether a question must wait for the silence. A device server keeps it for its caller.
    strict: bool,
    question: Vec<u8>,
    /// The present question began too early, or is longer than any frame.
    early: bool,
    overlong: bool,
    /// When the last character of the present question is through.
    heard_until: Mono,
    /// When the last character passed, either way.
    quiet_from: Option<Mono>,
    outgoing: VecDeque<Outgoing>,
    hung_up: bool,
    /// What the asker is set to, where that can be seen.
    asker: Option<Asker>,
}

/// What an asker's serial port is set to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asker {
    /// Its speed.
    pub baud: u32,
    /// Its parity, as far as the port tells.
    pub parity: Option<Parity>,
}

/// A frame on its way to the asker.
#[derive(Debug)]
struct Outgoing {
    starts: Mono,
    bytes: Vec<u8>,
    sent: usize,
    echo: bool,
}

impl RtuWire {
    /// A serial line at this pace, whose devices insist on the silence before a question.
    pub fn serial(pace: Pace) -> Self {
        RtuWire::new(pace, true)
    }

    /// A line behind a device server, which keeps the silences itself.
    pub fn behind_device_server(pace: Pace) -> Self {
        RtuWire::new(pace, false)
    }

    fn new(pace: Pace, strict: bool) -> Self {
        RtuWire {
            pace,
            strict,
            question: Vec::new(),
            early: false,
            overlong: false,
            heard_until: Mono::ZERO,
            quiet_from: None,
            outgoing: VecDeque::new(),
            hung_up: false,
            asker: None,
        }
    }

    /// Ends the present question once the line has been silent for long enough after it.
    fn end_question(&mut self, now: Mono, line: &mut Line) {
        if self.question.is_empty() || now < self.heard_until + self.pace.silence {
            return;
        }
        let mut question = std::mem::take(&mut self.question);
        if self.early {
            line.count_short_gap();
            return;
        }
        line.add_noise(&mut question, None);
        if line.suffers(Fault::Swapped, None) {
            line.count_damaged();
            self.send(self.heard_until, vec![BREAK]);
            return;
        }
        if !self.is_understood(&question, line) {
            line.count_damaged();
            return;
        }
        match rtu_parts(&question) {
            Some((unit, pdu)) if !self.overlong => {
                if let Some(answer) = line.answer(unit, pdu, self.heard_until) {
                    self.schedule(&answer, line);
                }
            }
            _ => line.count_damaged(),
        }
    }

    fn schedule(&mut self, answer: &Answer, line: &mut Line) {
        if answer.hang_up {
            self.hung_up = true;
            return;
        }
        let starts = self.heard_until + answer.turnaround.max(self.pace.silence) + answer.late;
        if answer.foreign {
            let other_unit = answer.unit % 247 + 1;
            self.send(starts, rtu_frame(other_unit, &answer.pdu));
        }
        let mut frame = rtu_frame(answer.unit, &answer.pdu);
        line.add_noise(&mut frame, Some(answer.unit));
        if answer.doubled {
            frame = talked_over(&frame);
        }
        frame.truncate(answer.truncated.unwrap_or(frame.len()));
        frame.drain(..answer.beginning_lost.min(frame.len()));
        if let Some((theirs, its)) = self.settings(answer.unit, line) {
            frame = uart::heard_by_host(&frame, its, theirs);
        }
        if line.suffers(Fault::Floating, Some(answer.unit)) {
            frame = [&[BREAK], frame.as_slice(), &[IDLE_NOISE]].concat();
        }
        self.send(starts, frame);
    }

    /// The asker's settings and a unit's, where both are known.
    fn settings(&self, unit: u8, line: &Line) -> Option<(SerialSettings, SerialSettings)> {
        let its = line.settings_of(unit)?;
        let asker = self.asker?;
        // An asker whose port does not tell its parity is taken to have the right one.
        let parity = asker.parity.unwrap_or(its.parity);
        Some((SerialSettings { baud: asker.baud, parity, stop_bits: its.stop_bits }, its))
    }

    /// Whether the unit that is asked can make out the question.
    fn is_understood(&self, question: &[u8], line: &Line) -> bool {
        let settings = question.first().and_then(|unit| self.settings(*unit, line));
        settings.is_none_or(|(theirs, its)| {
            uart::heard_by_device(question, theirs, its).is_some_and(|heard| heard == question)
        })
    }

    /// Sends a frame at `starts`, or once those before it are out.
    fn send(&mut self, starts: Mono, bytes: Vec<u8>) {
        let free_from = self
            .outgoing
            .iter()
            .filter(|frame| !frame.echo)
            .map(|frame| frame.starts + self.pace.characters(frame.bytes.len()) + self.pace.silence)
            .max();
        let starts = free_from.map_or(starts, |free| starts.max(free));
        if !bytes.is_empty() && self.outgoing.len() < OUTGOING_MAX {
            self.outgoing.push_back(Outgoing { starts, bytes, sent: 0, echo: false });
        }
    }

    /// When so many characters of a frame are through.
    fn due(&self, frame: &Outgoing, characters: usize) -> Mono {
        frame.starts + self.pace.characters(characters)
    }
}

impl Wire for RtuWire {
    fn tune(&mut self, asker: Asker) {
        self.asker = Some(asker);
    }

    fn hear(&mut self, bytes: &[u8], now: Mono, line: &mut Line) {
        self.end_question(now, line);
        if self.question.is_empty() {
            let too_soon = self.quiet_from.is_some_and(|quiet_from| now < quiet_from + self.pace.silence);
            let talking = self.outgoing.iter().any(|frame| frame.sent > 0 && !frame.echo);
            self.early = self.strict && (too_soon || talking);
            self.overlong = false;
        }
        if line.echoes() && self.outgoing.len() < OUTGOING_MAX {
            let starts = self.heard_until.max(now);
            self.outgoing.push_back(Outgoing { starts, bytes: bytes.to_vec(), sent: 0, echo: true });
        }
        self.heard_until = self.heard_until.max(now) + self.pace.characters(bytes.len());
        self.quiet_from = Some(self.heard_until);
        self.overlong |= self.question.len() + bytes.len() > FRAME_BYTES_MAX;
        let room = FRAME_BYTES_MAX.saturating_sub(self.question.len());
        self.question.extend(bytes.iter().take(room));
    }

    fn next_due(&self) -> Option<Mono> {
        let question_ends = (!self.question.is_empty()).then(|| self.heard_until + self.pace.silence);
        let frames_due = self
            .outgoing
            .iter()
            .map(|frame| self.due(frame, frame.bytes.len().min(frame.sent + CHARACTERS_AT_ONCE_MAX)));
        frames_due.chain(question_ends).min()
    }

    /// A pseudo-terminal's question takes its time from the moment it was handed over.
    fn askable_from(&self) -> Option<Mono> {
        let idle = self.question.is_empty() && self.outgoing.is_empty() && !self.pace.silence.is_zero();
        self.quiet_from.filter(|_| self.strict && idle).map(|quiet_from| quiet_from + self.pace.silence)
    }

    fn take_due(&mut self, now: Mono, line: &mut Line) -> Vec<u8> {
        self.end_question(now, line);
        let mut due = Vec::new();
        let mut outgoing = std::mem::take(&mut self.outgoing);
        for frame in &mut outgoing {
            let before = frame.sent;
            while let Some(byte) = frame.bytes.get(frame.sent)
                && self.due(frame, frame.sent + 1) <= now
            {
                due.push(*byte);
                frame.sent += 1;
            }
            if frame.sent > before && !frame.echo {
                self.quiet_from = self.quiet_from.max(Some(now));
            }
        }
        outgoing.retain(|frame| frame.sent < frame.bytes.len());
        self.outgoing = outgoing;
        due
    }

    fn hung_up(&self) -> bool {
        self.hung_up
    }
}

/// Two devices sending one answer a character apart: a driven zero wins over a one.
fn talked_over(frame: &[u8]) -> Vec<u8> {
    let later = std::iter::once(&0xFF).chain(frame);
    frame.iter().zip(later).map(|(first, second)| first & second).collect()
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::signal::Table;
    use crate::simulate::{Counts, Device, Fault, Rule};

    /// 9600 baud in 10-bit characters: 1.0416 ms each, 3.645 ms of silence.
    fn pace() -> Pace {
        Pace::of(9600, 10)
    }

    /// The device of the standard's example: holding registers 108 to 110 hold 555, 0, 100.
    fn line() -> Line {
        Line::new(vec![Device::new(0x11).with(Table::Holding, 107, &[555, 0, 100])], 1)
    }

    const QUESTION: [u8; 8] = [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87];
    const ANSWER: [u8; 11] = [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0xC8, 0xBA];

    /// Lets the wire run until nothing is due any more; what came, and when the last of it came.
    fn run(wire: &mut RtuWire, line: &mut Line) -> (Vec<u8>, Mono) {
        let (mut came, mut at) = (Vec::new(), Mono::ZERO);
        while let Some(due) = wire.next_due() {
            came.extend(wire.take_due(due, line));
            at = due;
        }
        (came, at)
    }

    fn asked(wire: &mut RtuWire, line: &mut Line, question: &[u8], at: Mono) -> (Vec<u8>, Mono) {
        wire.hear(question, at, line);
        run(wire, line)
    }

    fn answer_with(rules: &[Rule]) -> (Vec<u8>, Counts) {
        let (mut wire, mut line) = (RtuWire::serial(pace()), line());
        line.set_faults(rules.to_vec());
        let (came, _) = asked(&mut wire, &mut line, &QUESTION, Mono::ZERO);
        (came, line.counts())
    }

    #[test]
    fn the_standards_example_is_answered_as_it_says() {
        // Modbus Application Protocol V1.1b3, section 6.3; check sums computed apart.
        assert_eq!(answer_with(&[]).0, ANSWER);
    }

    #[test]
    fn an_exchange_takes_the_time_its_characters_take() {
        let (mut wire, mut line) = (RtuWire::serial(pace()), line());
        let (_, end) = asked(&mut wire, &mut line, &QUESTION, Mono::ZERO);
        // 8 characters of question, 3.5 of silence, 11 of answer.
        let expected = pace().characters(8 + 11) + pace().silence;
        assert_eq!(end.since_start(), expected);
    }

    #[test]
    fn no_character_comes_before_its_time() {
        let (mut wire, mut line) = (RtuWire::serial(pace()), line());
        wire.hear(&QUESTION, Mono::ZERO, &mut line);
        let starts = Mono::ZERO + pace().characters(8) + pace().silence;
        assert!(wire.take_due(starts, &mut line).is_empty());
        assert_eq!(wire.take_due(starts + pace().characters(1), &mut line), ANSWER[..1]);
        assert_eq!(wire.take_due(starts + pace().characters(4), &mut line), ANSWER[1..4]);
    }

    #[test]
    fn a_question_before_the_silence_is_ignored_and_counted() {
        let (mut wire, mut line) = (RtuWire::serial(pace()), line());
        let (_, end) = asked(&mut wire, &mut line, &QUESTION, Mono::ZERO);
        let nearly = end + pace().silence - Duration::from_micros(1);
        let (came, _) = asked(&mut wire, &mut line, &QUESTION, nearly);
        assert!(came.is_empty());
        assert_eq!(line.counts().short_gaps, 1);

        let later = nearly + pace().characters(8) + pace().silence;
        let (came, _) = asked(&mut wire, &mut line, &QUESTION, later);
        assert_eq!(came, ANSWER, "after a whole silence the device listens again");
        assert_eq!(line.counts().short_gaps, 1);
    }

    #[test]
    fn a_question_into_a_running_answer_is_ignored_and_counted() {
        let (mut wire, mut line) = (RtuWire::serial(pace()), line());
        wire.hear(&QUESTION, Mono::ZERO, &mut line);
        let middle = Mono::ZERO + pace().characters(12) + pace().silence;
        assert_eq!(wire.take_due(middle, &mut line), ANSWER[..4]);
        let (came, _) = asked(&mut wire, &mut line, &QUESTION, middle);
        assert_eq!(came, ANSWER[4..]);
        assert_eq!((line.counts().short_gaps, line.counts().answers), (1, 1));
    }

    #[test]
    fn a_device_server_keeps_the_silence_for_its_caller() {
        let (mut wire, mut line) = (RtuWire::behind_device_server(pace()), line());
        let (_, end) = asked(&mut wire, &mut line, &QUESTION, Mono::ZERO);
        assert_eq!(asked(&mut wire, &mut line, &QUESTION, end).0, ANSWER);
        assert_eq!(line.counts().short_gaps, 0);
    }

    #[test]
    fn damaged_and_foreign_questions_are_met_with_silence() {
        // Modbus Application Protocol V1.1b3, section 7; Modbus over Serial Line V1.02, section 2.4.2.
        let (mut wire, mut line) = (RtuWire::behind_device_server(pace()), line());
        let mut damaged = QUESTION;
        damaged[3] ^= 1;
        let other_unit = rtu_frame(0x12, &QUESTION[1..6]);
        let broadcast = rtu_frame(0, &QUESTION[1..6]);
        for question in [&damaged[..], &other_unit, &broadcast, &[0; 300]] {
            assert!(asked(&mut wire, &mut line, question, Mono::ZERO).0.is_empty(), "{question:?}");
        }
        assert_eq!((line.counts().damaged, line.counts().unknown_units), (2, 2));
    }

    #[test]
    fn each_fault_spoils_the_answer_in_its_own_way() {
        let one = |fault| answer_with(&[Rule::unit(0x11, fault)]);
        assert!(one(Fault::Silent).0.is_empty());
        assert_eq!(one(Fault::Exception(2)).0, [0x11, 0x83, 0x02, 0xC1, 0x34]);
        assert_eq!(one(Fault::Truncated(5)).0, ANSWER[..5]);
        assert_eq!(one(Fault::Late(Duration::from_secs(9))).0, ANSWER);

        let (foreign, counts) = one(Fault::Foreign);
        assert_eq!(rtu_parts(&foreign[..11]).map(|(unit, _)| unit), Some(0x12));
        assert_eq!(foreign[11..], ANSWER);
        assert_eq!(counts.spoiled, 1);

        let (doubled, _) = one(Fault::Doubled);
        assert_eq!((doubled.len(), rtu_parts(&doubled)), (ANSWER.len(), None));

        let (echo, _) = answer_with(&[Rule::line(Fault::Echo)]);
        assert_eq!(echo, [&QUESTION[..], &ANSWER].concat());
    }

    #[test]
    fn a_fault_of_one_unit_spares_the_others() {
        let (came, counts) = answer_with(&[Rule::unit(0x12, Fault::Silent)]);
        assert_eq!((came.as_slice(), counts.spoiled), (&ANSWER[..], 0));
    }

    #[test]
    fn a_late_answer_comes_after_the_next_question_and_its_own_answer_after_that() {
        let (mut wire, mut line) = (RtuWire::serial(pace()), line());
        let lateness = Duration::from_millis(600);
        line.set_faults(vec![Rule::unit(0x11, Fault::Late(lateness))]);
        wire.hear(&QUESTION, Mono::ZERO, &mut line);
        let next = Mono::from_millis(500);
        assert!(wire.take_due(next, &mut line).is_empty());
        line.set_faults(Vec::new());
        let (came, _) = asked(&mut wire, &mut line, &QUESTION, next);
        assert_eq!(came, [ANSWER, ANSWER].concat());
    }

    #[test]
    fn a_device_is_silent_until_it_has_powered_up() {
        let (mut wire, mut line) = (RtuWire::serial(pace()), line());
        if let Some(device) = line.device(0x11) {
            device.power_cycle(Mono::ZERO, Duration::from_secs(3));
        }
        assert!(asked(&mut wire, &mut line, &QUESTION, Mono::from_millis(2900)).0.is_empty());
        assert_eq!(asked(&mut wire, &mut line, &QUESTION, Mono::from_millis(3100)).0, ANSWER);
    }

    /// What came to each of many questions on a line that suffers from everything at times.
    fn bad_day(seed: u64) -> (Vec<Vec<u8>>, Counts) {
        let device = Device::new(0x11).with(Table::Holding, 107, &[555, 0, 100]);
        let (mut wire, mut line) = (RtuWire::serial(pace()), Line::new(vec![device], seed));
        line.set_faults(vec![
            Rule::line(Fault::Noise(1e-3)),
            Rule::unit(0x11, Fault::Silent).with_chance(0.1),
            Rule::unit(0x11, Fault::Foreign).with_chance(0.1),
            Rule::unit(0x11, Fault::Truncated(7)).with_chance(0.1),
        ]);
        let answers = (0..500)
            .map(|second| asked(&mut wire, &mut line, &QUESTION, Mono::from_millis(second * 1000)).0)
            .collect();
        (answers, line.counts())
    }

    #[test]
    fn the_same_seed_makes_the_same_bad_day() {
        let (answers, counts) = bad_day(5);
        assert_eq!((&answers, counts), (&bad_day(5).0, bad_day(5).1));
        assert_ne!(answers, bad_day(6).0);
        assert!(counts.damaged > 0 && counts.spoiled > 50, "{counts:?}");
        assert!(answers.iter().any(|answer| *answer == ANSWER));
    }
}

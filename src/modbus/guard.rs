//! Between the port and the protocol library: of all bytes that arrive, only the one frame passes
//! that is the answer to the question.
//!
//! The library takes the first frame with the right unit and function for the answer, whatever its
//! length, and drops into disorder on a damaged one. So it never sees another frame than the one
//! it waits for; everything else is [`Overheard`] and counted. Bytes in, verdict out: no port and
//! no clock here. Whether an answer of the right shape could still belong to an *earlier* question
//! is not decided here but by [`owed`](super::owed), before the question is put.

use crate::modbus::frame::{self, Beginning, EXCEPTION_BYTES, Question, Whole};

/// The shortest frame of a serial line: unit, function, CRC (over Serial Line V1.02, section 2.5.1).
const FRAME_BYTES_MIN: usize = 4;
/// How many whole frames that are no answer are kept of one exchange; further ones are dropped.
const FRAMES_HEARD_MAX: usize = 64;

/// What arrived that was not the answer.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Overheard {
    /// Runs of bytes that make no frame: damaged frames, noise.
    pub damaged: u32,
    /// Those of them that are long enough to have been a frame.
    pub damaged_frames: u32,
    /// Times that the question itself came back.
    pub echoes: u32,
    /// Whole frames that are no answer to this question, in order of arrival.
    pub frames: Vec<Whole>,
}

impl Overheard {
    /// Nothing but silence, or an adapter's echo.
    pub fn is_silence(&self) -> bool {
        self.damaged == 0 && self.frames.is_empty()
    }

    /// Adds what was heard later.
    pub fn append(&mut self, later: Overheard) {
        self.damaged = self.damaged.saturating_add(later.damaged);
        self.damaged_frames = self.damaged_frames.saturating_add(later.damaged_frames);
        self.echoes = self.echoes.saturating_add(later.echoes);
        self.frames.extend(later.frames);
    }
}

/// Collects what arrives, and finds the answer in it.
#[derive(Debug, Default)]
pub(super) struct Guard {
    /// What is waited for; `None` between questions.
    waiting: Option<Waiting>,
    /// Bytes not judged yet: never more than one frame and one read.
    bytes: Vec<u8>,
    /// How many bytes before `bytes` belong to no frame.
    in_damage: usize,
    /// How many bytes that belong to no frame have come since the question.
    damaged_bytes: usize,
    /// Whether a question has ever come back.
    echoes: bool,
    overheard: Overheard,
}

#[derive(Debug)]
struct Waiting {
    question: Question,
    /// Whether an exception answer can only be meant for this question.
    exceptions_are_certain: bool,
}

/// What the guard makes of the bytes at the front.
enum Front {
    Answer(usize),
    Heard(Whole, usize),
    Echo(usize),
    Unfinished,
    Damage,
}

impl Guard {
    /// From here on the answer to `question` is waited for. `exceptions_are_certain` is false while
    /// an exception answer could belong to an earlier question: such answers are then overheard.
    pub fn expect(&mut self, question: Question, exceptions_are_certain: bool) {
        self.waiting = Some(Waiting { question, exceptions_are_certain });
        self.damaged_bytes = 0;
    }

    /// Takes what arrived; returns the answer's bytes once it is there.
    pub fn push(&mut self, arrived: &[u8]) -> Option<Vec<u8>> {
        self.bytes.extend_from_slice(arrived);
        while !self.bytes.is_empty() {
            match self.front() {
                Front::Answer(length) => return Some(self.accept(length)),
                Front::Heard(whole, length) => self.hear(whole, length),
                Front::Echo(length) => self.hear_echo(length),
                Front::Damage => self.drop_damage(1),
                Front::Unfinished => {
                    let (damage, length) = self.answer_further_on()?;
                    self.drop_damage(damage);
                    return Some(self.accept(length));
                }
            }
        }
        None
    }

    /// The line has fallen silent while the answer is waited for. Returns the answer if it is there, but
    /// could have been the beginning of an echo until now.
    pub fn answer_before_silence(&mut self) -> Option<Vec<u8>> {
        let waiting = self.waiting.as_ref().filter(|_| !self.echoes)?;
        let is_answer =
            self.bytes.len() == waiting.question.answer_bytes() && waiting.begins_like_an_echo(&self.bytes);
        (is_answer && frame::crc_is_right(&self.bytes)).then(|| self.accept(self.bytes.len()))
    }

    /// The line has fallen silent, or the question was given up: what is unfinished stays so.
    /// Returns what was overheard since the last time.
    pub fn settle(&mut self) -> Overheard {
        self.waiting = None;
        while !self.bytes.is_empty() {
            match self.front() {
                Front::Heard(whole, length) => self.hear(whole, length),
                Front::Answer(length) | Front::Echo(length) => self.take(length),
                Front::Damage | Front::Unfinished => self.drop_damage(1),
            }
        }
        self.in_damage = 0;
        self.take_overheard()
    }

    /// What was overheard since the last time.
    pub fn take_overheard(&mut self) -> Overheard {
        std::mem::take(&mut self.overheard)
    }

    /// Whether whole frames were overheard since the last time.
    pub fn has_heard_frames(&self) -> bool {
        !self.overheard.frames.is_empty()
    }

    /// Whether bytes have come that are neither the answer nor a whole frame, and so many that they may
    /// have been the answer. A line without polarization wavers when its driver lets go of it: a
    /// character or two of that say nothing of the answer that is still to come.
    pub fn is_damaged(&self) -> bool {
        self.damaged_bytes + self.bytes.len() >= EXCEPTION_BYTES
    }

    fn front(&self) -> Front {
        if let Some(waiting) = &self.waiting {
            let question = waiting.question.bytes();
            // An adapter's echo, byte for byte. An answer in bits can look like its own question;
            // it is then taken for the echo: no answer is better than a wrong one.
            if self.bytes.starts_with(&question) {
                return Front::Echo(question.len());
            }
            match waiting.answer_at(&self.bytes) {
                Sought::Here(length) => return Front::Answer(length),
                Sought::Unfinished => return Front::Unfinished,
                Sought::Not if waiting.begins_like_an_echo(&self.bytes) => return Front::Unfinished,
                Sought::Not => {}
            }
        }
        match frame::beginning(&self.bytes) {
            Beginning::Frame(whole, length) => Front::Heard(whole, length),
            Beginning::Unfinished => Front::Unfinished,
            Beginning::Nothing => Front::Damage,
        }
    }

    /// Noise before an answer can look like the beginning of a long frame. The answer is known by
    /// unit, function, length and CRC together, so it may be found behind such noise.
    fn answer_further_on(&self) -> Option<(usize, usize)> {
        let waiting = self.waiting.as_ref()?;
        (1..self.bytes.len()).find_map(|offset| match waiting.answer_at(self.bytes.get(offset..)?) {
            Sought::Here(length) => Some((offset, length)),
            Sought::Unfinished | Sought::Not => None,
        })
    }

    fn accept(&mut self, length: usize) -> Vec<u8> {
        self.waiting = None;
        self.in_damage = 0;
        self.bytes.drain(..length).collect()
    }

    fn hear(&mut self, whole: Whole, length: usize) {
        if self.overheard.frames.len() < FRAMES_HEARD_MAX {
            self.overheard.frames.push(whole);
        }
        self.take(length);
    }

    fn hear_echo(&mut self, length: usize) {
        self.echoes = true;
        self.overheard.echoes = self.overheard.echoes.saturating_add(1);
        self.take(length);
    }

    fn take(&mut self, length: usize) {
        self.in_damage = 0;
        self.bytes.drain(..length);
    }

    /// A run of damaged bytes counts once, however long it is.
    fn drop_damage(&mut self, length: usize) {
        let before = self.in_damage;
        self.in_damage = before.saturating_add(length);
        let reaches = |bytes| u32::from(before < bytes && self.in_damage >= bytes);
        self.overheard.damaged = self.overheard.damaged.saturating_add(reaches(1));
        self.overheard.damaged_frames =
            self.overheard.damaged_frames.saturating_add(reaches(FRAME_BYTES_MIN));
        self.damaged_bytes = self.damaged_bytes.saturating_add(length);
        self.bytes.drain(..length);
    }
}

/// Whether the answer stands at the beginning of some bytes.
enum Sought {
    Here(usize),
    Unfinished,
    Not,
}

impl Waiting {
    fn answer_at(&self, bytes: &[u8]) -> Sought {
        let shape = self.question.shape();
        let length = match *bytes {
            [unit, function, byte_count, ..]
                if (unit, function, byte_count) == (shape.unit, shape.function, shape.byte_count) =>
            {
                self.question.answer_bytes()
            }
            [unit, function, ..]
                if self.exceptions_are_certain
                    && (unit, function) == (shape.unit, frame::exception(shape.function)) =>
            {
                EXCEPTION_BYTES
            }
            _ => return Sought::Not,
        };
        match bytes.get(..length) {
            // Behind noise, too, an echo that reads as its own answer is an echo. The first seven bytes of
            // some questions do so as well: holding register 688 of unit 4, for one.
            Some(whole) if self.begins_like_an_echo(whole) => Sought::Not,
            Some(whole) if frame::crc_is_right(whole) => Sought::Here(length),
            Some(_) => Sought::Not,
            None => Sought::Unfinished,
        }
    }

    /// Whether some bytes are the question, or its beginning.
    fn begins_like_an_echo(&self, bytes: &[u8]) -> bool {
        self.question.bytes().starts_with(bytes)
    }
}

#[cfg(test)]
mod tests;

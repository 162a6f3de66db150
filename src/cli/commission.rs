//! `siskin commission`: the checklist from the bare wall to the first sample, step by step, with what siskin
//! can see for itself, resumed from the journal and signed into it.
//!
//! It asks and records. What is to be done is said by the maker's manual, local codes and licensed practice.

use std::io::Write;
use std::path::PathBuf;

use serde_json::Value;
use sha2::{Digest, Sha256};

use crate::cli::answers::Answers;
use crate::cli::connect::{Source, to_daemon, understood};
use crate::cli::operator::finite;
use crate::cli::site_file::{self, Files};
use crate::cli::terminal::aside;
use crate::cli::{CliError, Common, Outcome};
use crate::config::{self, Site, Sources};
use crate::control::proof::{Proof, ProofRequest};
use crate::control::protocol::Request;
use crate::control::work::Done;
use crate::history::chain::hex;
use crate::proving::checklist::{BUILT_IN, Check, Checklist, ListStep};
use crate::proving::record::{Answered, Record, Told};
use crate::view::Entry;

mod checks;
mod page;
mod written;

use checks::{Seen, look};

/// Below the help.
pub const CAUTION: &str = "This list stands below the maker's manual, the drawings, local codes and the licensed person who \
    signs for the work. Hydrogen sulfide kills and disables the sense of smell: wear a personal gas detector. \
    Pressure and electricity injure: vent, isolate, lock out and prove before you open anything. siskin is not a \
    safety system.";

/// Which device, and what to do.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Id of the device
    #[arg(value_name = "DEVICE")]
    device: String,
    /// A checklist of the site's own, instead of the one that is built in
    #[arg(long, value_name = "FILE")]
    checklist: Option<PathBuf>,
    /// Answer this step, and no other; without it every open step is asked for, an answer a line:
    /// `done`, `failed` or `na`, then a remark; an empty line leaves the step open; the end of the input leaves
    /// off, to be resumed
    #[arg(long, value_name = "ID", requires = "answer")]
    step: Option<String>,
    /// The answer to it
    #[arg(long, value_name = "done|failed|na", requires = "step", value_parser = answer)]
    answer: Option<Answered>,
    /// A number that the step asks for
    #[arg(long, value_name = "NUMBER", requires = "step", allow_negative_numbers = true, value_parser = finite)]
    number: Option<f64>,
    /// Words that the step asks for
    #[arg(long, value_name = "TEXT", requires = "step")]
    text: Option<String>,
    /// Sign for it, once every step is settled: with --name
    #[arg(long, requires = "name", conflicts_with = "step")]
    sign: bool,
    /// Begin anew although one was begun already
    #[arg(long)]
    anew: bool,
    /// Only show the record
    #[arg(long, value_name = "FORM", conflicts_with_all = ["step", "sign", "anew"])]
    print: Option<page::Form>,
    /// Your name, for the record
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// What you have to say, for the record
    #[arg(long, value_name = "TEXT")]
    remark: Option<String>,
}

fn answer(text: &str) -> Result<Answered, String> {
    let word = if matches!(text, "na" | "not-applicable") { Answered::NotApplicable.word() } else { text };
    Answered::from_word(word).ok_or_else(|| "an answer is done, failed or na".to_owned())
}

/// Asks, records, signs or shows.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let text = list_text(args)?;
    let list = Checklist::parse(&text).map_err(|wrong| CliError::BadInput(wrong.join("\n")))?;
    let sha256 = hex(&Sha256::digest(text.as_bytes()));
    let work = Commissioning { args, common, list, sha256 };
    let Some(form) = args.print else {
        return work.go_on(out);
    };
    let Some(record) = work.record()? else {
        return Err(CliError::BadInput(format!("no commissioning of {} was begun", args.device)));
    };
    // A record outlives its site file.
    let site = config::load(common.config(), &Files).ok();
    work.show(&record, site.as_ref(), form, out)
}

fn list_text(args: &Args) -> Result<String, CliError> {
    let Some(path) = &args.checklist else { return Ok(BUILT_IN.to_owned()) };
    Files.read(path).map_err(|error| CliError::Unreachable(format!("{}: {error}", path.display())))
}

/// A commissioning under way.
struct Commissioning<'a> {
    args: &'a Args,
    common: &'a Common,
    list: Checklist,
    sha256: String,
}

impl Commissioning<'_> {
    fn go_on(&self, out: &mut dyn Write) -> Result<Outcome, CliError> {
        let site = site_file::load(self.common.config())?;
        let record = self.begin()?;
        if !self.is_list_of(&record) {
            let message = "it was begun with another checklist: name that one, or begin --anew";
            return Err(CliError::BadInput(message.to_owned()));
        }
        if self.args.sign {
            return self.sign(&record, &site, out);
        }
        if let (Some(signed), true) = (&record.signed, self.args.step.is_some()) {
            aside(&format!("not recorded: it was signed, event {}; begin --anew", signed.seq));
            return Ok(Outcome::No);
        }
        let settled = match (&self.args.step, self.args.answer) {
            (Some(id), Some(answered)) => {
                let step = self.list.step(id).ok_or_else(|| {
                    let ids: Vec<&str> = self.list.steps.iter().map(|step| step.id.as_str()).collect();
                    CliError::BadInput(format!("no step {id:?}; there are {}", ids.join(", ")))
                })?;
                let given = Given {
                    answered,
                    remark: self.args.remark.clone(),
                    number: self.args.number,
                    text: self.args.text.clone(),
                };
                let seen = self.seen(step, &site)?;
                self.answer(step, given, seen)? == Fate::Settled
            }
            _ => self.ask_all(&site, &record)?,
        };
        self.show(&self.present()?, Some(&site), page::Form::Text, out)?;
        Ok(if settled { Outcome::Done } else { Outcome::No })
    }

    /// Asks for every open step; whether all are settled then.
    fn ask_all(&self, site: &Site, record: &Record) -> Result<bool, CliError> {
        let mut answers = Answers::of_stdin()?;
        let open = record.open(&self.list);
        if !open.is_empty() {
            aside(CAUTION);
        }
        let mut settled = true;
        for step in open {
            let Some(fate) = self.ask_step(step, site, &mut answers)? else {
                aside(
                    "\nLeft before its end; every answer so far is in the journal. The same command goes on.",
                );
                return Ok(false);
            };
            settled &= fate == Fate::Settled;
        }
        Ok(settled)
    }

    /// Asks for one step; `None` at the end of the answers.
    fn ask_step(
        &self,
        step: &ListStep,
        site: &Site,
        answers: &mut Answers,
    ) -> Result<Option<Fate>, CliError> {
        let seen = self.seen(step, site)?;
        tell_step(step, seen.as_ref());
        loop {
            let given = match ask(step, answers) {
                Asked::Ended => return Ok(None),
                Asked::Later => return Ok(Some(Fate::Open)),
                Asked::Given(given) => given,
            };
            // Meanwhile the person may have mended what siskin saw.
            let fate = self.answer(step, given, self.seen(step, site)?)?;
            // A pipe has a line for each step: what was refused must not take that of the next.
            if fate != Fate::Refused || !answers.come_from_a_terminal() {
                return Ok(Some(fate));
            }
        }
    }

    /// What siskin sees of a step that it can check: what flows and what was recorded up to now.
    fn seen(&self, step: &ListStep, site: &Site) -> Result<Option<Seen>, CliError> {
        let Some(check) = step.check else { return Ok(None) };
        let status: Value = understood(&to_daemon(self.common)?.ask(&Request::Status {})?)?;
        Ok(Some(look(check, step, &self.args.device, &status, site, &self.present()?)))
    }

    /// Records an answer, if it can stand.
    fn answer(&self, step: &ListStep, given: Given, seen: Option<Seen>) -> Result<Fate, CliError> {
        if let Some(why) = given.refused(step, seen.as_ref()) {
            aside(&format!("{}: not recorded: {why}", step.id));
            return Ok(Fate::Refused);
        }
        let fate = if given.answered == Answered::Failed { Fate::Open } else { Fate::Settled };
        let unit = given.number.and(step.number.as_ref()).map(|number| number.unit.clone());
        let proof = Proof::CommissioningStep {
            step: step.id.clone(),
            title: step.title.clone(),
            result: given.answered.word().to_owned(),
            check: seen.as_ref().map(|seen| seen.word().to_owned()),
            seen: seen.map(|seen| written::written(seen.words)).unwrap_or_default(),
            number: given.number,
            unit,
            text: given.text,
        };
        self.tell_daemon(proof, given.remark)?;
        Ok(fate)
    }

    fn sign(&self, record: &Record, site: &Site, out: &mut dyn Write) -> Result<Outcome, CliError> {
        let open: Vec<&str> = record.open(&self.list).iter().map(|step| step.id.as_str()).collect();
        if !open.is_empty() {
            aside(&format!("not signed: open are {}", open.join(", ")));
            return Ok(Outcome::No);
        }
        if record.signed.is_none() {
            let otherwise = self.otherwise(record, site)?;
            if !otherwise.is_empty() {
                otherwise.iter().for_each(|why| aside(&format!("not signed: {why}")));
                return Ok(Outcome::No);
            }
            let proof =
                Proof::CommissioningSigned { checklist_sha256: self.sha256.clone(), steps: self.steps() };
            self.tell_daemon(proof, self.args.remark.clone())?;
        }
        self.show(&self.present()?, Some(site), page::Form::Text, out)
    }

    /// What was answered as done, and is no longer so: the signature stands for what is.
    fn otherwise(&self, record: &Record, site: &Site) -> Result<Vec<String>, CliError> {
        let mut otherwise = Vec::new();
        for step in &self.list.steps {
            let lasts = step.check.is_some_and(Check::lasts);
            if !lasts || record.answer(step) != Some(Answered::Done) {
                continue;
            }
            if let Some(seen) = self.seen(step, site)?.filter(|seen| seen.pass == Some(false)) {
                otherwise.push(format!(
                    "{}: siskin sees otherwise by now: {}",
                    step.id,
                    seen.words.join("; ")
                ));
            }
        }
        Ok(otherwise)
    }

    fn show(
        &self,
        record: &Record,
        site: Option<&Site>,
        form: page::Form,
        out: &mut dyn Write,
    ) -> Result<Outcome, CliError> {
        let list = Some(&self.list).filter(|_| self.is_list_of(record));
        let page = page::Page { device: &self.args.device, record, list, site };
        if self.common.json {
            writeln!(out, "{}", page.json())?;
        } else {
            page.write(form, out)?;
        }
        Ok(Outcome::Done)
    }

    /// Whether a record was begun with the list at hand.
    fn is_list_of(&self, record: &Record) -> bool {
        record.begun.text("checklist_sha256") == Some(&self.sha256)
    }

    /// The commissioning to go on with; begins one where there is none, or where it is to be begun anew.
    fn begin(&self) -> Result<Record, CliError> {
        let record = self.record()?;
        let anew = self.args.anew && record.as_ref().is_none_or(|record| !record.answers.is_empty());
        if let Some(record) = record.filter(|_| !anew) {
            return Ok(record);
        }
        let proof = Proof::CommissioningBegun {
            checklist: self.list.name.clone(),
            checklist_sha256: self.sha256.clone(),
            steps: self.steps(),
        };
        self.tell_daemon(proof, self.args.remark.clone())?;
        self.present()
    }

    /// The commissioning under way, as far as it has come.
    fn present(&self) -> Result<Record, CliError> {
        self.record()?
            .ok_or_else(|| CliError::Unreachable("the journal does not show what was recorded".to_owned()))
    }

    fn record(&self) -> Result<Option<Record>, CliError> {
        let mut source = Source::of(self.common)?;
        let mut events: Vec<Told> = Vec::new();
        let mut after = 0;
        loop {
            let page = source.after(after)?;
            after = page.next_after;
            events.extend(page.events.into_iter().map(told));
            if !page.more {
                return Ok(Record::of(&self.args.device, &events));
            }
        }
    }

    fn tell_daemon(&self, proof: Proof, remark: Option<String>) -> Result<(), CliError> {
        let (device, name) = (self.args.device.clone(), self.args.name.clone());
        let request = Request::Proof(ProofRequest { device, proof, name, remark });
        let done: Done = understood(&to_daemon(self.common)?.ask(&request)?)?;
        match (done.refused, done.nearest) {
            (None, _) => Ok(()),
            (Some(refused), nearest) => {
                let nearest = nearest.map(|nearest| format!("; is {nearest} meant?")).unwrap_or_default();
                let why = refused.replace('_', " ");
                Err(CliError::BadInput(format!("{}: {why}{nearest}", self.args.device)))
            }
        }
    }

    fn steps(&self) -> u32 {
        u32::try_from(self.list.steps.len()).unwrap_or(u32::MAX)
    }
}

/// What became of an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fate {
    /// Recorded, and the step is settled.
    Settled,
    /// The step stays open.
    Open,
    /// Not recorded: the answer cannot stand.
    Refused,
}

/// What came of a question.
enum Asked {
    /// An answer.
    Given(Given),
    /// The step is left open for now.
    Later,
    /// The end of the answers, or Ctrl-C.
    Ended,
}

/// What a person has answered.
struct Given {
    answered: Answered,
    remark: Option<String>,
    number: Option<f64>,
    text: Option<String>,
}

impl Given {
    /// Why it cannot stand.
    fn refused(&self, step: &ListStep, seen: Option<&Seen>) -> Option<String> {
        let failed = seen.filter(|seen| seen.pass == Some(false));
        match (self.answered, failed) {
            (Answered::Done, Some(seen)) => Some(format!("siskin sees otherwise: {}", seen.words.join("; "))),
            (Answered::Done, None) => {
                let number = step.number.as_ref().filter(|_| self.number.is_none()).map(|number| &number.ask);
                let text = step.text.as_ref().filter(|_| self.text.is_none());
                number.or(text).map(|wanted| format!("it asks for: {wanted}"))
            }
            (Answered::NotApplicable | Answered::Failed, _) if self.remark.is_none() => {
                Some("failed and na want a remark: why".to_owned())
            }
            (Answered::NotApplicable | Answered::Failed, _) => None,
        }
    }
}

fn tell_step(step: &ListStep, seen: Option<&Seen>) {
    aside(&format!("\n── {} ({})", step.title, step.id));
    step.tasks.iter().for_each(|task| aside(&format!("  • {task}")));
    step.caution.iter().for_each(|caution| aside(&format!("  CAUTION: {caution}")));
    step.defer.iter().for_each(|defer| aside(&format!("  Above this list: {defer}")));
    if let Some(seen) = seen {
        aside(&format!("  siskin sees ({}): {}", seen.word(), seen.words.join("; ")));
    }
}

/// The answer to a step.
fn ask(step: &ListStep, answers: &mut Answers) -> Asked {
    let (answered, remark) = loop {
        aside("done, failed or na, then a remark; Enter alone leaves it open:");
        let Some(line) = answers.next() else { return Asked::Ended };
        if line.is_empty() {
            return Asked::Later;
        }
        let (word, remark) = line.split_once(' ').unwrap_or((&line, ""));
        match answer(word) {
            Ok(answered) => {
                break (answered, Some(remark.trim().to_owned()).filter(|remark| !remark.is_empty()));
            }
            Err(why) if answers.come_from_a_terminal() => aside(&why),
            Err(why) => return not_an_answer(step, &line, &why),
        }
    };
    let mut given = Given { answered, remark, number: None, text: None };
    if answered == Answered::Done {
        while let Some(number) = step.number.as_ref().filter(|_| given.number.is_none()) {
            aside(&format!("{} ({}):", number.ask, number.unit));
            let Some(line) = answers.next() else { return Asked::Ended };
            given.number = finite(&line).ok();
            if given.number.is_none() && !answers.come_from_a_terminal() {
                return not_an_answer(step, &line, "it asks for a number");
            }
        }
        while let Some(text) = step.text.as_ref().filter(|_| given.text.is_none()) {
            aside(&format!("{text}:"));
            let Some(line) = answers.next() else { return Asked::Ended };
            given.text = Some(line).filter(|text| !text.is_empty());
        }
    }
    Asked::Given(given)
}

/// From a pipe nobody can be asked again, and which line belongs to which step is no longer certain: no later
/// one may settle a step that it was not meant for.
fn not_an_answer(step: &ListStep, line: &str, why: &str) -> Asked {
    aside(&format!("{}: not recorded: {line:?}: {why}; nothing after this line is taken", step.id));
    Asked::Ended
}

fn told(entry: Entry) -> Told {
    let Entry { seq, time, kind, subject, user, name, detail, hash, .. } = entry;
    let who = user.map(|user| name.map_or_else(|| user.clone(), |name| format!("{name} ({user})")));
    Told { seq, at: time.0, kind, subject, who, detail, hash }
}

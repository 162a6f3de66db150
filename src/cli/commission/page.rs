//! The record of a commissioning as one page, in text or HTML.

use std::io::{self, Write};

use jiff::tz::TimeZone;
use serde_json::{Value, json};

use crate::cli::terminal::Terminal;
use crate::config::Site;
use crate::moment::Wall;
use crate::proving::checklist::Checklist;
use crate::proving::record::{Record, Told};
use crate::view::{Instant, words};

/// In which form.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Form {
    /// For a terminal.
    Text,
    /// For a browser, and to be printed.
    Html,
}

/// Where a page of paper asks for a pen.
const ON_PAPER: &str =
    "On paper: name ____________________  date ____________  signature ____________________";

/// Fits one sheet, A4 or Letter, whatever words and numbers are in it: everything may be broken.
const STYLE: &str = "@page{margin:12mm}body{font:10pt/1.3 sans-serif;margin:0 auto;max-width:60em;overflow-wrap:anywhere}\
    h1{font-size:15pt;margin:0 0 .3em}p{margin:.4em 0}table{border-collapse:collapse;width:100%;table-layout:fixed}\
    td,th{border:1px solid #888;padding:.15em .4em;text-align:left;vertical-align:top}tr{break-inside:avoid}\
    .step{width:24%}.answer{width:10%}.who{width:23%}.paper{margin-top:1.5em}\
    @media screen{body{padding:1em}}@media print{body{font-size:8.5pt;max-width:none}}";

const NOT_A_LICENCE: &str = "This page repeats what people have answered and what siskin could see. It is no certificate, \
     replaces no permit and no licensed person's signature, and siskin is not a safety system.";

/// A record, and what is needed to tell it.
pub(super) struct Page<'a> {
    pub device: &'a str,
    pub record: &'a Record,
    /// The list that it was begun with; `None` where that is not at hand: then only what was answered is
    /// known, in the order in which it was.
    pub list: Option<&'a Checklist>,
    /// The site, where its file can be read: for its name, its clock, and what the device is.
    pub site: Option<&'a Site>,
}

/// A step on the page.
struct Row {
    step: String,
    title: String,
    result: String,
    told: Option<Told>,
}

impl Row {
    fn of(step: &str, title: &str, told: Option<&Told>) -> Row {
        let result = told.map_or("open", |told| told.text("result").unwrap_or("?"));
        Row { step: step.to_owned(), title: title.to_owned(), result: result.to_owned(), told: told.cloned() }
    }

    fn who(&self) -> String {
        self.told.as_ref().and_then(|told| told.who.clone()).unwrap_or_default()
    }

    fn noted(&self) -> String {
        self.told.as_ref().map(noted).unwrap_or_default()
    }
}

fn noted(told: &Told) -> String {
    let text = |key: &str| told.text(key).map(str::to_owned);
    let number = told.detail.get("number").and_then(Value::as_f64);
    let number = number.map(|number| format!("{} {}", as_typed(number), text("unit").unwrap_or_default()));
    let check = text("check").map(|check| format!("siskin saw: {check}"));
    let seen = told.detail.get("seen").and_then(Value::as_array).into_iter().flatten();
    let seen = seen.filter_map(|words| Some(words.as_str()?.to_owned()));
    let all = number.into_iter().chain(text("text")).chain(check).chain(seen).chain(text("remark"));
    all.collect::<Vec<String>>().join("; ")
}

/// A number that a person has noted, no digit of it lost, in as few as it takes.
fn as_typed(number: f64) -> String {
    if number == 0.0 || (1e-6..1e9).contains(&number.abs()) {
        number.to_string()
    } else {
        format!("{number:e}")
    }
}

impl Page<'_> {
    fn rows(&self) -> Vec<Row> {
        let answer = |id: &str| self.record.answers.get(id);
        if let Some(list) = self.list {
            return list.steps.iter().map(|step| Row::of(&step.id, &step.title, answer(&step.id))).collect();
        }
        let mut answers: Vec<(&String, &Told)> = self.record.answers.iter().collect();
        answers.sort_by_key(|(_, told)| told.seq);
        answers
            .into_iter()
            .map(|(id, told)| Row::of(id, told.text("title").unwrap_or(id), Some(told)))
            .collect()
    }

    /// The time at the site.
    fn time(&self, at: Wall) -> String {
        let zone = self.site.map_or(TimeZone::UTC, |site| site.time_zone.clone());
        words::date_and_time(Instant(at), &zone)
    }

    fn signature(&self) -> String {
        match &self.record.signed {
            Some(told) => format!(
                "Signed by {} on {}: event {} of the journal, chain {}",
                told.who.as_deref().unwrap_or("?"),
                self.time(told.at),
                told.seq,
                told.hash
            ),
            None => "NOT SIGNED.".to_owned(),
        }
    }

    /// What was commissioned, where, with which list, and who began it.
    fn heading(&self) -> Vec<String> {
        let begun = &self.record.begun;
        let place = self.site.map(|site| {
            let device = site.devices.iter().find(|device| device.id == self.device);
            let device = device.map(|device| {
                let line = site.lines.get(device.line.0).map_or("?", |line| line.id.as_str());
                format!(": {}, unit {} on line {line}", device.name, device.unit_id)
            });
            format!("{}{}", site.name, device.unwrap_or_default())
        });
        let list = begun.text("checklist").unwrap_or("?");
        let began = format!(
            "{list}. Begun by {} on {}: event {}; list {}",
            begun.who.as_deref().unwrap_or("?"),
            self.time(begun.at),
            begun.seq,
            begun.text("checklist_sha256").unwrap_or("?"),
        );
        let missing = "The list that it was begun with is not at hand: told is what was answered, in the order in \
                       which it was.";
        let missing = self.list.is_none().then(|| missing.to_owned());
        place.into_iter().chain([began]).chain(missing).collect()
    }

    /// For a machine.
    pub fn json(&self) -> Value {
        let step = |row: Row| {
            let at = row.told.as_ref().map(|told| told.at.to_string()).unwrap_or_default();
            let (who, noted) = (row.who(), row.noted());
            json!({ "step": row.step, "title": row.title, "result": row.result, "who": who, "at": at, "noted": noted })
        };
        let open = |list: &Checklist| -> Vec<String> {
            self.record.open(list).iter().map(|step| step.id.clone()).collect()
        };
        let signed = |told: &Told| json!({ "who": told.who, "at": told.at.to_string(), "seq": told.seq, "hash": told.hash });
        json!({
            "device": self.device,
            "checklist": self.record.begun.text("checklist"),
            "begun_seq": self.record.begun.seq,
            "steps": self.rows().into_iter().map(step).collect::<Vec<_>>(),
            "open": self.list.map(open),
            "signed": self.record.signed.as_ref().map(signed),
        })
    }

    /// For a person.
    pub fn write(&self, form: Form, out: &mut dyn Write) -> io::Result<()> {
        match form {
            Form::Text => self.text(out),
            Form::Html => self.html(out),
        }
    }

    fn text(&self, out: &mut dyn Write) -> io::Result<()> {
        let terminal = Terminal::of_stdout("UTC");
        let mut folded = |indent: usize, text: &str| {
            terminal.fold(indent, text).iter().try_for_each(|line| writeln!(out, "{line}"))
        };
        folded(0, &format!("Commissioning of {}", self.device))?;
        self.heading().iter().try_for_each(|line| folded(0, line))?;
        folded(0, "")?;
        for row in self.rows() {
            let at = row.told.as_ref().map(|told| format!("  {}  {}", row.who(), self.time(told.at)));
            let result = row.result.replace('_', " ");
            folded(4, &format!("[{result}] {}{}", row.title, at.unwrap_or_default()))?;
            let noted = row.noted();
            if !noted.is_empty() {
                folded(4, &format!("    {noted}"))?;
            }
        }
        for paragraph in ["", &self.signature(), "", NOT_A_LICENCE, "", ON_PAPER] {
            folded(0, paragraph)?;
        }
        Ok(())
    }

    fn html(&self, out: &mut dyn Write) -> io::Result<()> {
        let title = escaped(&format!("Commissioning of {}", self.device));
        writeln!(
            out,
            "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{title}</title>\n\
             <style>{STYLE}</style></head>\n<body><h1>{title}</h1>"
        )?;
        self.heading().iter().try_for_each(|line| writeln!(out, "<p>{}</p>", escaped(line)))?;
        writeln!(
            out,
            "<table>\n<tr><th class=\"step\">step</th><th class=\"answer\">answer</th><th class=\"who\">who, when</th>\
             <th>noted</th></tr>"
        )?;
        for row in self.rows() {
            let at = row.told.as_ref().map(|told| self.time(told.at)).unwrap_or_default();
            let (who, noted, result) = (row.who(), row.noted(), row.result.replace('_', " "));
            let [title, result, who, at, noted] =
                [&row.title, &result, &who, &at, &noted].map(|cell| escaped(cell));
            writeln!(
                out,
                "<tr><td>{title}</td><td>{result}</td><td>{who}<br>{at}</td><td>{noted}</td></tr>"
            )?;
        }
        writeln!(
            out,
            "</table>\n<p><strong>{}</strong></p>\n<p>{NOT_A_LICENCE}</p>\n<p class=\"paper\">{ON_PAPER}</p>\n</body></html>",
            escaped(&self.signature())
        )
    }
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

//! The record of a commissioning as one page, in text or HTML.

use std::io::{self, Write};

use serde_json::{Value, json};

use crate::proving::checklist::Checklist;
use crate::proving::record::{Record, Told};

/// In which form.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Form {
    /// For a terminal.
    Text,
    /// For a browser, and to be printed.
    Html,
}

const NOT_A_LICENCE: &str = "This page repeats what people have answered and what siskin could see. It is no certificate, \
     replaces no permit and no licensed person's signature, and siskin is not a safety system.";

/// A row: the step, the answer, who, when, what was noted.
fn rows(record: &Record, list: &Checklist) -> Vec<[String; 5]> {
    list.steps
        .iter()
        .map(|step| match record.answers.get(&step.id) {
            None => [step.title.clone(), "open".to_owned(), String::new(), String::new(), String::new()],
            Some(told) => [
                step.title.clone(),
                told.text("result").unwrap_or("?").replace('_', " "),
                told.who.clone().unwrap_or_default(),
                told.at.to_string(),
                noted(told),
            ],
        })
        .collect()
}

fn noted(told: &Told) -> String {
    let text = |key: &str| told.text(key).map(str::to_owned);
    let number = told.detail.get("number").and_then(Value::as_f64);
    let number = number.map(|number| format!("{number} {}", told.text("unit").unwrap_or_default()));
    let check = text("check").map(|check| format!("siskin saw: {check}"));
    let seen = told.detail.get("seen").and_then(Value::as_array).into_iter().flatten();
    let seen = seen.filter_map(|words| Some(words.as_str()?.to_owned()));
    let all = number.into_iter().chain(text("text")).chain(check).chain(seen).chain(text("remark"));
    all.collect::<Vec<String>>().join("; ")
}

fn signature(record: &Record) -> String {
    match &record.signed {
        Some(told) => format!(
            "Signed by {} at {}: event {} of the journal, chain {}",
            told.who.as_deref().unwrap_or("?"),
            told.at,
            told.seq,
            told.hash
        ),
        None => "Not signed.".to_owned(),
    }
}

fn heading(device: &str, record: &Record, list: &Checklist) -> [String; 2] {
    let began = format!(
        "{} Begun by {} at {}: event {}; list {}",
        list.name,
        record.begun.who.as_deref().unwrap_or("?"),
        record.begun.at,
        record.begun.seq,
        record.begun.text("checklist_sha256").unwrap_or("?"),
    );
    [format!("Commissioning of {device}"), began]
}

/// For a machine.
pub(super) fn json(device: &str, record: &Record, list: &Checklist) -> Value {
    let step = |(step, [title, result, who, at, noted]): (&str, [String; 5])| json!({ "step": step, "title": title, "result": result.replace(' ', "_"), "who": who, "at": at, "noted": noted });
    let ids = list.steps.iter().map(|step| step.id.as_str());
    json!({
        "device": device,
        "checklist": list.name,
        "begun_seq": record.begun.seq,
        "steps": ids.zip(rows(record, list)).map(step).collect::<Vec<_>>(),
        "open": record.open(list).iter().map(|step| step.id.clone()).collect::<Vec<_>>(),
        "signed": record.signed.as_ref().map(|told| json!({ "who": told.who, "at": told.at.to_string(), "seq": told.seq, "hash": told.hash })),
    })
}

/// For a person.
pub(super) fn write(
    form: Form,
    device: &str,
    record: &Record,
    list: &Checklist,
    out: &mut dyn Write,
) -> io::Result<()> {
    let [title, began] = heading(device, record, list);
    let rows = rows(record, list);
    match form {
        Form::Text => {
            writeln!(out, "{title}\n{began}\n")?;
            for [step, result, who, at, noted] in rows {
                writeln!(out, "[{result}] {step}  {who}  {at}")?;
                if !noted.is_empty() {
                    writeln!(out, "    {noted}")?;
                }
            }
            writeln!(out, "\n{}\n\n{NOT_A_LICENCE}", signature(record))
        }
        Form::Html => {
            writeln!(
                out,
                "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{0}</title>\n\
                 <style>body{{font:14px sans-serif;margin:2em}}table{{border-collapse:collapse}}\
                 td,th{{border:1px solid #888;padding:.3em .5em;text-align:left;vertical-align:top}}</style></head>\n\
                 <body><h1>{0}</h1>\n<p>{1}</p>\n<table>\n\
                 <tr><th>step</th><th>answer</th><th>who</th><th>when</th><th>noted</th></tr>",
                escaped(&title),
                escaped(&began)
            )?;
            for row in rows {
                let cells: String = row.iter().map(|cell| format!("<td>{}</td>", escaped(cell))).collect();
                writeln!(out, "<tr>{cells}</tr>")?;
            }
            let signature = escaped(&signature(record));
            writeln!(
                out,
                "</table>\n<p><strong>{signature}</strong></p>\n<p>{NOT_A_LICENCE}</p>\n</body></html>"
            )
        }
    }
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

//! A report at a terminal: its tables in columns, as wide as what they hold.

use std::io::{self, Write};

use crate::cli::terminal::{Mark, Terminal};
use crate::report::{Document, Section, Sheet};

/// Writes the report in words.
pub fn write(document: &Document, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}\n", document.title)?;
    let widest = document.facts.iter().map(|(name, _)| name.len()).max().unwrap_or(0);
    for (name, value) in &document.facts {
        writeln!(out, "{name:widest$}  {value}")?;
    }
    for caution in &document.cautions {
        writeln!(out)?;
        for line in terminal.wrap(0, &format!("! {caution}")) {
            writeln!(out, "{}", terminal.mark(Mark::Doubt, &line))?;
        }
    }
    for section in &document.sections {
        write_section(section, terminal, out)?;
    }
    writeln!(out)?;
    for line in terminal.wrap(0, document.closing) {
        writeln!(out, "{line}")?;
    }
    Ok(())
}

fn write_section(section: &Section, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "\n{}\n{}", section.title, "-".repeat(section.title.chars().count()))?;
    for remark in &section.remarks {
        for line in terminal.wrap(0, remark) {
            writeln!(out, "{line}")?;
        }
    }
    for (nth, sheet) in section.sheets.iter().enumerate() {
        if nth > 0 || !section.remarks.is_empty() {
            writeln!(out)?;
        }
        write_sheet(sheet, terminal, out)?;
    }
    Ok(())
}

fn write_sheet(sheet: &Sheet, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    if !sheet.caption.is_empty() {
        writeln!(out, "{}", sheet.caption)?;
    }
    let head: Vec<String> = sheet.head.iter().map(|name| (*name).to_owned()).collect();
    let rows = || [&head].into_iter().chain(&sheet.rows);
    let width = |column: usize| {
        rows().filter_map(|row| row.get(column)).map(|cell| cell.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..head.len()).map(width).collect();
    let indent = 4;
    for row in rows() {
        let cells: Vec<String> =
            row.iter().zip(&widths).map(|(cell, width)| format!("{cell:width$}")).collect();
        for line in terminal.fold(indent, format!("  {}", cells.join("  ")).trim_end()) {
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}

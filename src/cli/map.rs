//! `siskin map`: the registers that SCADA masters read, for whoever sets a master up.
//!
//! Prints what [`crate::scada`] serves, from the same tables. What has no number yet is given one, and
//! the numbers are kept beside the site file, as the daemon would do it.

use std::io::{self, Write};

use serde::Serialize;

use crate::cli::run::scada_numbers;
use crate::cli::terminal::{aside, count, hex};
use crate::cli::{CliError, Common, Outcome, csv, site_file};
use crate::config::ScadaSpec;
use crate::daemon::{nothing_known, system_clock};
use crate::scada::{self, Row};
use crate::signal::BadValue;

/// What `siskin map` takes.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Print comma-separated values (RFC 4180) instead of Markdown
    #[arg(long, conflicts_with = "json")]
    csv: bool,
}

/// Prints the map: Markdown, comma-separated values, or JSON.
///
/// # Errors
/// [`CliError::BadInput`] when the site has no SCADA face or the file with the numbers is wrong,
/// [`CliError::Unreachable`] when it cannot be read or written.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let site = site_file::load(common.config())?;
    let Some(spec) = &site.scada else {
        let path = common.config().display();
        let advice = "give it a [scada] table with `listen`, as docs/configuration.md explains";
        return Err(CliError::BadInput(format!("{path} has no SCADA face: {advice}")));
    };
    let snapshot = nothing_known(&site, system_clock()());
    let opened = scada_numbers(common.config(), &snapshot)?;
    tell_given(&opened);
    let rows = scada::listing(&snapshot, &opened.numbers);
    let map = Map::of(spec, &opened.numbers, rows);
    if common.json {
        serde_json::to_writer_pretty(&mut *out, &map).map_err(io::Error::from)?;
        writeln!(out)?;
    } else if args.csv {
        write_csv(out, &map.rows)?;
    } else {
        write_markdown(out, &site.name, &map)?;
    }
    Ok(Outcome::Done)
}

fn tell_given(opened: &scada::Opened) {
    if opened.given > 0 {
        aside(&format!("siskin: {} kept in {}", count(opened.given, "new number"), opened.path.display()));
    }
}

/// The answer for machines.
#[derive(Serialize)]
struct Map {
    /// The version of the layout.
    layout: u16,
    /// Grows each time numbers are given.
    revision: u16,
    /// Where the server listens.
    listen: String,
    /// What a bad value is replaced by.
    bad_value: String,
    /// How to read the first value by hand.
    example: Option<Example>,
    rows: Vec<Row>,
}

/// One question and an answer, byte for byte.
#[derive(Serialize)]
struct Example {
    reads: String,
    request: String,
    /// The answer while the value is [`Example::VALUE`].
    answer: String,
    value: f32,
}

impl Example {
    const VALUE: f32 = 12.5;

    fn of(rows: &[Row]) -> Option<Example> {
        let row = rows.iter().find(|row| row.item == "signal" && row.field == "value" && row.in_use)?;
        let request = scada::read_request(row.address, row.count);
        let answer = [&[0, 1, 0, 0, 0, 7, 1, 4, 4], &Example::VALUE.to_be_bytes()[..]].concat();
        let reads = row.id.clone();
        Some(Example { reads, request: hex(&request), answer: hex(&answer), value: Example::VALUE })
    }
}

impl Map {
    fn of(spec: &ScadaSpec, numbers: &scada::Numbers, rows: Vec<Row>) -> Map {
        let bad_value = match spec.bad_value {
            BadValue::Nan => "not a number".to_owned(),
            BadValue::LastGood => "the last good value, or not a number while there is none".to_owned(),
            BadValue::Fixed(number) => number.to_string(),
        };
        Map {
            layout: scada::LAYOUT,
            revision: numbers.revision(),
            listen: spec.listen.to_string(),
            bad_value,
            example: Example::of(&rows),
            rows,
        }
    }
}

const CSV_HEADER: [&str; 12] =
    ["table", "address", "count", "form", "item", "id", "field", "unit", "tag", "name", "in_use", "meaning"];

fn write_csv(out: &mut dyn Write, rows: &[Row]) -> io::Result<()> {
    csv::row(out, CSV_HEADER)?;
    for row in rows {
        let [address, count] = [row.address, row.count].map(|number| number.to_string());
        let cells = [
            row.table,
            &address,
            &count,
            row.form,
            row.item,
            &row.id,
            row.field,
            row.unit.as_deref().unwrap_or(""),
            row.tag.as_deref().unwrap_or(""),
            row.name.as_deref().unwrap_or(""),
            if row.in_use { "yes" } else { "no" },
            row.meaning,
        ];
        csv::row(out, cells)?;
    }
    Ok(())
}

fn write_markdown(out: &mut dyn Write, site: &str, map: &Map) -> io::Result<()> {
    writeln!(out, "# SCADA map of {}\n", markdown_cell(site))?;
    writeln!(out, "Read-only Modbus TCP at {}, unit id 1 to 247, 0 or 255.", map.listen)?;
    writeln!(
        out,
        "Layout {}, revision {}. Addresses are zero-based, as on the wire:",
        map.layout, map.revision
    )?;
    writeln!(out, "address 1000 is reference 31001 (input) or 41001 (holding), six-digit 301001 or 401001.")?;
    writeln!(out, "Functions 3 and 4 read the same registers, functions 1 and 2 the same bits.")?;
    writeln!(out, "Of two registers the first is the more significant.\n")?;
    writeln!(out, "While a value is bad its registers hold: {}.", map.bad_value)?;
    writeln!(out, "Never use a value without its quality. This is not a safety system.\n")?;
    if let Some(Example { reads, request, answer, value }) = &map.example {
        writeln!(out, "To read `{reads}` by hand, send\n\n    {request}\n\nand get, while it is {value},\n")?;
        writeln!(out, "    {answer}\n")?;
    }
    write_site(out, &map.rows)?;
    for (item, title) in
        [("line", "Lines"), ("device", "Devices"), ("signal", "Signals"), ("alarm", "Alarms")]
    {
        write_items(out, title, item, &map.rows)?;
    }
    Ok(())
}

fn write_site(out: &mut dyn Write, rows: &[Row]) -> io::Result<()> {
    writeln!(
        out,
        "## The site\n\n| address | form | field | what the number says |\n| --- | --- | --- | --- |"
    )?;
    for row in rows.iter().filter(|row| row.item == "site") {
        writeln!(out, "| {} | {} | {} | {} |", row.address, row.form, row.field, row.meaning)?;
    }
    Ok(())
}

/// One table for a list: its fields once, then the first address of each item.
fn write_items(out: &mut dyn Write, title: &str, item: &str, rows: &[Row]) -> io::Result<()> {
    let registers: Vec<&Row> =
        rows.iter().filter(|row| row.item == item && row.table == "register").collect();
    let Some(first) = registers.first() else { return Ok(()) };
    writeln!(out, "\n## {title}\n\n| from the first address | form | field | what the number says |")?;
    writeln!(out, "| --- | --- | --- | --- |")?;
    for row in registers.iter().take_while(|row| row.id == first.id) {
        writeln!(
            out,
            "| +{} | {} | {} | {} |",
            row.address - first.address,
            row.form,
            row.field,
            row.meaning
        )?;
    }
    writeln!(
        out,
        "\n| first address | first bit | id | tag | name | unit |\n| --- | --- | --- | --- | --- | --- |"
    )?;
    for row in registers.iter().filter(|row| row.field == first.field) {
        let bit = rows.iter().find(|bit| bit.table == "bit" && bit.item == item && bit.id == row.id);
        let bit = bit.map_or(String::new(), |bit| bit.address.to_string());
        let [tag, name, unit] =
            [&row.tag, &row.name, &row.unit].map(|text| markdown_cell(text.as_deref().unwrap_or("")));
        let gone = if row.in_use { "" } else { " (not in use any more)" };
        writeln!(out, "| {} | {bit} | {}{gone} | {tag} | {name} | {unit} |", row.address, row.id)?;
    }
    Ok(())
}

/// Text of the site file must not end a cell or begin markup.
fn markdown_cell(text: &str) -> String {
    let mut cell = String::with_capacity(text.len());
    for character in text.chars() {
        if "\\`*_[]<>|&".contains(character) {
            cell.push('\\');
        }
        cell.push(character);
    }
    cell
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_keep_what_they_hold() {
        assert_eq!(markdown_cell("a|b <script>"), "a\\|b \\<script\\>");
    }

    /// Worked by hand: function 4, address 1000 = 0x03E8, 2 registers; 12.5 = 0x41480000.
    #[test]
    fn the_example_is_what_a_master_sends_and_gets() {
        let row = Row {
            table: "register",
            address: 1000,
            count: 2,
            form: "f32",
            item: "signal",
            id: "h2s-1.concentration".to_owned(),
            name: None,
            tag: None,
            unit: None,
            field: "value",
            meaning: "",
            in_use: true,
        };
        let example = Example::of(&[row]);
        let told = example.map(|example| (example.request, example.answer));
        let request = "00 01 00 00 00 06 01 04 03 E8 00 02".to_owned();
        assert_eq!(told, Some((request, "00 01 00 00 00 07 01 04 04 41 48 00 00".to_owned())));
    }
}

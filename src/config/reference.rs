//! The reference of all settings, as Markdown, made of the declarations that also read the file:
//! what is documented is what is read.

use std::fmt::Write;

use super::raw::{Key, Presence, TableKeys, every_table};
use crate::units::{Substance, UNITS};

const INTRODUCTION: &str = "\
# The site file

One TOML file describes one meter building. `siskin check FILE` reads it as the daemon does and tells every error with
its place, then every doubt: settings that can be run but were hardly meant. `config/site.toml` is a whole example.
`siskin check --schema` prints a JSON Schema for editors: it completes keys and underlines slips, but the judge is `check`.

*This page is made from the declarations in `src/config/raw/tables.rs`; a test holds it to them. Do not edit it here.*

* Unknown keys are errors, so that a slip of the pen never leaves a setting without effect.
* An id has 1 to 64 characters out of a-z, 0-9, `-` and `_`; a text has 1 to 1000 characters on one line.
* Durations are a whole number and a unit: `\"500ms\"`, `\"1s\"`, `\"3m\"`, `\"24h\"`, `\"30d\"`, `\"3y\"`. A year has 365 days.
* Sizes are a whole number and `KiB`, `MiB`, `GiB` or `TiB`.
* Time zones are those built into the program, so that a site means the same on every machine.
* siskin is not a safety system. No setting here makes it one.
";

/// The whole page.
pub fn reference() -> String {
    let mut page = INTRODUCTION.to_owned();
    // Writing into a string cannot fail.
    for table in every_table() {
        let _ = write_table(&mut page, &table);
    }
    let _ = write_units(&mut page);
    page
}

fn write_table(page: &mut String, table: &TableKeys) -> std::fmt::Result {
    writeln!(page, "\n## `{}`\n\n{}\n", table.title, table.doc.trim())?;
    writeln!(page, "| key | value | when absent | for example | what it is |")?;
    writeln!(page, "| --- | --- | --- | --- | --- |")?;
    for key in &table.keys {
        let Key { name, expected, presence, doc, example, .. } = key;
        let (expected, doc) = (in_a_cell(expected), in_a_cell(doc.trim()));
        writeln!(page, "| `{name}` | {expected} | {} | `{example}` | {doc} |", absent(*presence))?;
    }
    Ok(())
}

const UNITS_INTRODUCTION: &str = "
## Units

`unit` may be any text. These are known, so that signals in different ones can be compared by a `deviation`. Case, blanks
and the marks `. - _ ( )` do not matter; `°F` is `degF`, `m³` is `m3`.

* Gauge and absolute pressures differ by that of the air; `psi`, `kPa` and `bar` alone do not say which they are, and are
  compared with one another only.
* Mass and moles differ by the molar mass of the `substance`: {masses} g/mol.
* Gas is taken as ideal. Methane at 60 °F and 14.73 psia fills 0.2 % less.

| unit | also | what it measures | one is |
| --- | --- | --- | --- |
";

fn write_units(page: &mut String) -> std::fmt::Result {
    let mass = |substance: &Substance| format!("{} {}", substance.word(), substance.molar_mass_g());
    let masses: Vec<String> = Substance::ALL.iter().map(mass).collect();
    page.push_str(&UNITS_INTRODUCTION.replace("{masses}", &masses.join(", ")));
    for unit in UNITS {
        let others: Vec<String> = unit.others.iter().map(|other| format!("`{other}`")).collect();
        let (what, definition) = (unit.quantity.words(), unit.definition);
        writeln!(page, "| `{}` | {} | {what} | {definition} |", unit.name, others.join(", "))?;
    }
    Ok(())
}

fn absent(presence: Presence) -> String {
    match presence {
        Presence::Required => "**required**".to_owned(),
        Presence::Default("[]" | "{}") => "none".to_owned(),
        Presence::Default(text) => format!("`{text}`"),
        Presence::Otherwise(words) => in_a_cell(words),
    }
}

fn in_a_cell(text: &str) -> String {
    text.replace('|', "\\|")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_default_and_every_example_is_a_value_that_its_key_takes() {
        for table in every_table() {
            for key in table.keys {
                assert!((key.accepts)(key.example), "{} {}: {}", table.title, key.name, key.example);
                if let Presence::Default(text) = key.presence {
                    assert!((key.accepts)(text), "{} {}: {text}", table.title, key.name);
                }
            }
        }
    }
}

//! Rows of comma-separated values as RFC 4180 has them.

use std::io::{self, Write};

/// One row: cells in quotes where they must be, CR LF at its end (section 2).
pub fn row<T: AsRef<str>>(out: &mut dyn Write, cells: impl IntoIterator<Item = T>) -> io::Result<()> {
    let cells: Vec<String> = cells.into_iter().map(|text| cell(text.as_ref())).collect();
    write!(out, "{}\r\n", cells.join(","))
}

/// In quotes when it holds a comma, a quote or a line break.
fn cell(text: &str) -> String {
    if text.contains([',', '"', '\r', '\n']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn cells_keep_what_they_hold() {
        let mut out = Vec::new();
        row(&mut out, ["a, \"b\"", "plain", ""]).unwrap();
        assert_eq!(String::from_utf8(out).unwrap(), "\"a, \"\"b\"\"\",plain,\r\n");
    }
}

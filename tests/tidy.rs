//! Holds the shape of the house: floors, pure rooms, file headers, file lengths, who may print.
//!
//! Sources are read as tokens, so a word in a comment or a string offends nobody. Each rule is a
//! function from one source to its complaints, listed in [`RULES`], and each is shown a planted
//! violation and a decent neighbour in [`planted`]. What the compiler or clippy can hold is left to
//! them.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use proc_macro2::{Delimiter, TokenStream, TokenTree};
use std::path::{Path, PathBuf};

/// From the ground up. A room may import only from rows above its own in this list: the floors of
/// the house, where the ground floor has steps of its own.
const FLOORS: [(u8, &[&str]); 8] = [
    (0, &["moment", "names"]),
    (0, &["period", "signal", "units"]),
    (0, &["alarm", "calibration", "proving"]),
    (1, &["config", "monitor"]),
    (2, &["modbus", "history", "replay"]),
    (3, &["daemon", "view"]),
    (4, &["serve", "scada", "control", "commission", "simulate", "report", "ship"]),
    (5, &["cli", "main"]),
];

/// The highest floor that may not touch the world.
const PURE_FLOOR_MAX: u8 = 1;

/// What stands at the top of the repository, apart from dot-files. `target` is cargo's.
const TOP_LEVEL: [&str; 11] = [
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "config",
    "deploy",
    "docs",
    "src",
    "target",
    "tests",
];

/// More lines of code than this need a reason in the file's header.
const CODE_LINES_MAX: usize = 500;

/// How the header of a longer file begins to say why.
const LONG_FILE_REASON: &str = "Longer than 500 lines because";

/// Where the daemon reads the wall clock. Commands, which a person starts, may ask it for the day too.
const WALL_CLOCK: &str = "src/daemon/clock.rs";

const RULES: [fn(&Source) -> Vec<Complaint>; 9] = [
    imports_go_down,
    pure_rooms_do_not_touch_the_world,
    one_file_reads_the_wall_clock,
    files_open_with_their_purpose,
    files_are_short,
    only_main_ends_the_process,
    only_commands_print,
    nothing_writes_to_a_device,
    no_loose_ends,
];

/// What the two plans of the house for people say, held to [`FLOORS`]: each room once, on its own floor.
#[test]
fn the_tables_of_floors_name_every_room_and_no_other() {
    for page in ["DEVELOPERS.md", "src/lib.rs"] {
        let text = std::fs::read_to_string(root().join(page)).unwrap();
        let told = rooms_told(&text);
        let mut expected: Vec<(u8, &str)> =
            FLOORS.iter().flat_map(|(floor, rooms)| rooms.iter().map(|room| (*floor, *room))).collect();
        // The library's own page has no `main`: that is the program around it.
        expected.retain(|(_, room)| page == "DEVELOPERS.md" || *room != "main");
        expected.sort_unstable();
        assert_eq!(told, expected, "{page}");
    }
}

/// Floor and room of every name in backticks in the second column of a table whose first is a floor.
fn rooms_told(page: &str) -> Vec<(u8, &str)> {
    let mut told = Vec::new();
    for row in page.lines().filter_map(|line| line.trim_start_matches("//! ").strip_prefix("| ")) {
        let mut columns = row.split(" | ");
        let (Some(floor), Some(rooms)) = (columns.next(), columns.next()) else { continue };
        if let Ok(floor) = floor.parse() {
            told.extend(rooms.split('`').skip(1).step_by(2).map(|room| (floor, room)));
        }
    }
    told.sort_unstable();
    told
}

#[test]
fn the_house_is_tidy() {
    let mut complaints: Vec<String> = Vec::new();
    for source in sources() {
        for rule in RULES {
            let found = rule(&source);
            complaints.extend(found.iter().map(|c| format!("{}:{}: {}", source.path, c.line, c.what)));
        }
    }
    complaints.extend(unexpected_at_the_top(&names_in(&root())));
    assert!(complaints.is_empty(), "\n{}\n", complaints.join("\n"));
}

/// One file, by its path from the root of the repository.
struct Source {
    path: String,
    text: String,
    tokens: Vec<Token>,
}

/// One identifier, punctuation mark, literal or bracket.
struct Token {
    text: String,
    line: usize,
}

struct Complaint {
    line: usize,
    what: String,
}

impl Source {
    fn new(path: &str, text: &str) -> Source {
        let mut tokens = Vec::new();
        if path.ends_with(".rs") {
            let stream: TokenStream = text.parse().unwrap_or_else(|error| panic!("{path}: {error}"));
            flatten(stream, &mut tokens);
        }
        Source { path: path.to_owned(), text: text.to_owned(), tokens }
    }

    /// The room a source of siskin itself stands in; `None` for `lib.rs` and everything else.
    fn room(&self) -> Option<&str> {
        let name = self.path.strip_prefix("src/")?.split('/').next()?;
        Some(name.trim_end_matches(".rs")).filter(|room| *room != "lib")
    }

    fn is_rust(&self) -> bool {
        self.path.ends_with(".rs")
    }

    /// The lines on which these tokens stand one after the other.
    fn lines_with<'a>(&'a self, wanted: &'a [&str]) -> impl Iterator<Item = usize> + 'a {
        let matches =
            move |window: &&[Token]| window.iter().zip(wanted).all(|(token, text)| token.text == *text);
        self.tokens.windows(wanted.len()).filter(matches).map(|window| window[0].line)
    }
}

fn flatten(stream: TokenStream, tokens: &mut Vec<Token>) {
    for tree in stream {
        let line = tree.span().start().line;
        let push = |tokens: &mut Vec<Token>, text: String| tokens.push(Token { text, line });
        match tree {
            TokenTree::Group(group) => {
                let (open, close) = match group.delimiter() {
                    Delimiter::Parenthesis => ("(", ")"),
                    Delimiter::Brace => ("{", "}"),
                    Delimiter::Bracket => ("[", "]"),
                    Delimiter::None => ("", ""),
                };
                push(tokens, open.to_owned());
                flatten(group.stream(), tokens);
                push(tokens, close.to_owned());
            }
            TokenTree::Ident(ident) => push(tokens, ident.to_string()),
            TokenTree::Punct(punct) => push(tokens, punct.to_string()),
            TokenTree::Literal(literal) => push(tokens, literal.to_string()),
        }
    }
}

/// The row of a room in [`FLOORS`].
fn row(room: &str) -> Option<usize> {
    FLOORS.iter().position(|(_, rooms)| rooms.contains(&room))
}

fn imports_go_down(source: &Source) -> Vec<Complaint> {
    let Some(room) = source.room() else { return Vec::new() };
    let Some(own_row) = row(room) else {
        return vec![Complaint { line: 1, what: format!("`{room}` stands on no floor of tests/tidy.rs") }];
    };
    let mut complaints = Vec::new();
    for (line, import) in crate_imports(&source.tokens) {
        let allowed = import == room || row(&import).is_none_or(|row| row < own_row);
        if !allowed {
            complaints.push(Complaint {
                line,
                what: format!("`{room}` imports `{import}`, which is not below it"),
            });
        }
    }
    for line in source.lines_with(&["super", ":", ":", "super"]) {
        complaints.push(Complaint { line, what: "write `crate::…` instead of `super::super`".to_owned() });
    }
    complaints
}

/// The first names after `crate::`, those of `crate::{a, b::c}` included.
fn crate_imports(tokens: &[Token]) -> Vec<(usize, String)> {
    let mut imports = Vec::new();
    for (at, token) in tokens.iter().enumerate() {
        let after = match tokens.get(at + 1..) {
            Some([a, b, after @ ..]) if token.text == "crate" && a.text == ":" && b.text == ":" => after,
            _ => continue,
        };
        match after {
            [open, inside @ ..] if open.text == "{" => imports.extend(names_at_depth_one(inside)),
            [name, ..] => imports.push((name.line, name.text.clone())),
            [] => {}
        }
    }
    imports
}

/// The name that begins each item of a brace list whose opening brace has been taken.
fn names_at_depth_one(tokens: &[Token]) -> Vec<(usize, String)> {
    let (mut depth, mut at_start, mut names) = (1, true, Vec::new());
    for token in tokens {
        match token.text.as_str() {
            "{" => depth += 1,
            "}" => depth -= 1,
            "," if depth == 1 => at_start = true,
            name if at_start && depth == 1 => {
                names.push((token.line, name.to_owned()));
                at_start = false;
            }
            _ => {}
        }
        if depth == 0 {
            break;
        }
    }
    names
}

/// Floors 0 and 1 get time and text from outside and know no runtime, file, socket, thread or clock.
/// Plain types such as `std::net::SocketAddr` and `std::path::PathBuf` touch nothing.
fn pure_rooms_do_not_touch_the_world(source: &Source) -> Vec<Complaint> {
    let pure = source.room().and_then(row).is_some_and(|row| FLOORS[row].0 <= PURE_FLOOR_MAX);
    if !pure {
        return Vec::new();
    }
    let worldly: [&[&str]; 18] = [
        &["tokio"],
        &["tokio_serial"],
        &["tokio_modbus"],
        &["rusqlite"],
        &["axum"],
        &["rustix"],
        &["libc"],
        &["Instant"],
        &["SystemTime"],
        &[":", ":", "now"],
        &["std", ":", ":", "fs"],
        &["std", ":", ":", "env"],
        &["std", ":", ":", "thread"],
        &["std", ":", ":", "process"],
        &["File"],
        &["TcpStream"],
        &["TcpListener"],
        &["UdpSocket"],
    ];
    let complain = |words: &[&str], line| Complaint {
        line,
        what: format!("`{}` in a room that may not touch the world", words.concat()),
    };
    worldly.iter().flat_map(|words| source.lines_with(words).map(|line| complain(words, line))).collect()
}

/// A wall clock can be set at any time, so a duration measured with it is a lie in waiting.
fn one_file_reads_the_wall_clock(source: &Source) -> Vec<Complaint> {
    let may = source.room().is_none_or(|room| matches!(room, "main" | "cli"));
    if may || source.path == WALL_CLOCK {
        return Vec::new();
    }
    let readings: [&[&str]; 3] =
        [&["Wall", ":", ":", "now"], &["Timestamp", ":", ":", "now"], &["SystemTime", ":", ":", "now"]];
    let complain =
        |words: &[&str], line| Complaint { line, what: format!("`{}` outside {WALL_CLOCK}", words.concat()) };
    readings.iter().flat_map(|words| source.lines_with(words).map(|line| complain(words, line))).collect()
}

fn files_open_with_their_purpose(source: &Source) -> Vec<Complaint> {
    let opens = source.text.starts_with("//! ");
    if opens || !source.is_rust() {
        return Vec::new();
    }
    vec![Complaint { line: 1, what: "the file does not open with a `//!` paragraph".to_owned() }]
}

fn files_are_short(source: &Source) -> Vec<Complaint> {
    let is_code = |line: &&str| !line.trim().is_empty() && !line.trim().starts_with("//");
    let code_lines = source.text.lines().filter(is_code).count();
    let mut header = source.text.lines().take_while(|line| line.starts_with("//!"));
    let excused = header.any(|line| line.contains(LONG_FILE_REASON));
    if !source.is_rust() || code_lines <= CODE_LINES_MAX || excused {
        return Vec::new();
    }
    let what = format!("{code_lines} lines of code, and no \"{LONG_FILE_REASON} …\" in the header");
    vec![Complaint { line: 1, what }]
}

fn only_main_ends_the_process(source: &Source) -> Vec<Complaint> {
    if source.room().is_none_or(|room| room == "main") {
        return Vec::new();
    }
    let complain = |line| Complaint { line, what: "`process::exit` below main".to_owned() };
    source.lines_with(&["process", ":", ":", "exit"]).map(complain).collect()
}

fn only_commands_print(source: &Source) -> Vec<Complaint> {
    if source.room().is_none_or(|room| matches!(room, "main" | "cli")) {
        return Vec::new();
    }
    let complain = |name: &str, line| Complaint { line, what: format!("`{name}!` outside the commands") };
    ["println", "print", "eprintln", "eprint"]
        .iter()
        .flat_map(|name| source.lines_with(&[name, "!"]).map(|line| complain(name, line)).collect::<Vec<_>>())
        .collect()
}

/// The names under which the Modbus library offers to change a device: siskin uses none of them.
fn nothing_writes_to_a_device(source: &Source) -> Vec<Complaint> {
    if source.room().is_none() {
        return Vec::new();
    }
    let writes = [
        "WriteSingleCoil",
        "WriteSingleRegister",
        "WriteMultipleCoils",
        "WriteMultipleRegisters",
        "MaskWriteRegister",
        "ReadWriteMultipleRegisters",
        "write_single_coil",
        "write_single_register",
        "write_multiple_coils",
        "write_multiple_registers",
        "masked_write_register",
        "read_write_multiple_registers",
        "Writer",
    ];
    let complain =
        |token: &Token| Complaint { line: token.line, what: format!("`{}` can change a device", token.text) };
    source.tokens.iter().filter(|token| writes.contains(&token.text.as_str())).map(complain).collect()
}

fn no_loose_ends(source: &Source) -> Vec<Complaint> {
    let marks = [concat!("TO", "DO"), concat!("FIX", "ME"), concat!("XX", "X")];
    let mut complaints = Vec::new();
    for (line, text) in (1..).zip(source.text.lines()) {
        let mark =
            marks.iter().find(|mark| text.split(|c: char| !c.is_alphanumeric()).any(|word| word == **mark));
        complaints.extend(mark.map(|mark| Complaint { line, what: format!("a {mark} is left") }));
    }
    complaints
}

fn unexpected_at_the_top(names: &[String]) -> Vec<String> {
    let unexpected = |name: &&String| !name.starts_with('.') && !TOP_LEVEL.contains(&name.as_str());
    names
        .iter()
        .filter(unexpected)
        .map(|name| format!("{name}: not among what stands at the top level"))
        .collect()
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn names_in(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
}

/// Every text that people write: Rust, prose, scripts, pages, settings.
fn sources() -> Vec<Source> {
    let mut found = Vec::new();
    for top in ["src", "tests", "docs", "config", "deploy", ".ci", "README.md", "DEVELOPERS.md", "Cargo.toml"]
    {
        gather(&root().join(top), &mut found);
    }
    assert!(found.len() > 30, "the walk over the sources found only {}", found.len());
    found
}

fn gather(path: &Path, found: &mut Vec<Source>) {
    if path.is_dir() && !path.ends_with("target") {
        names_in(path).iter().for_each(|name| gather(&path.join(name), found));
    } else if path.is_file()
        && let Ok(text) = std::fs::read_to_string(path)
    {
        let relative = path.strip_prefix(root()).unwrap().to_str().unwrap();
        found.push(Source::new(relative, &text));
    }
}

/// Each rule against a planted violation and a decent neighbour.
mod planted {
    use super::*;

    /// What all rules say of one source, without the header they would ask for.
    fn complaints(path: &str, code: &str) -> Vec<String> {
        let source = Source::new(path, &format!("//! A planted file.\n{code}"));
        RULES.iter().flat_map(|rule| rule(&source)).map(|complaint| complaint.what).collect()
    }

    fn refused(path: &str, code: &str, part: &str) {
        let found = complaints(path, code);
        assert!(found.iter().any(|what| what.contains(part)), "{path}: {code}: {found:?}");
    }

    fn accepted(path: &str, code: &str) {
        assert_eq!(complaints(path, code), Vec::<String>::new(), "{path}: {code}");
    }

    #[test]
    fn an_upward_or_sideways_import_is_refused() {
        refused("src/signal/a.rs", "use crate::monitor::Event;", "`signal` imports `monitor`");
        refused("src/signal/a.rs", "fn f() { crate::daemon::run() }", "`signal` imports `daemon`");
        refused(
            "src/signal/a.rs",
            "use crate::{moment::Mono, alarm::{Life, Kind}};",
            "`signal` imports `alarm`",
        );
        refused("src/config/a.rs", "use crate::monitor::Who;", "`config` imports `monitor`");
        refused("src/serve/a.rs", "use crate::control::Socket;", "`serve` imports `control`");
        refused("src/serve/a/b.rs", "use super::super::control;", "super::super");
        refused("src/attic/mod.rs", "", "stands on no floor");
    }

    #[test]
    fn a_downward_import_is_accepted() {
        accepted("src/alarm/a.rs", "use crate::signal::Sample;");
        accepted("src/serve/a.rs", "use crate::{view::status, monitor::{Snapshot, serve}};");
        accepted("src/signal/a.rs", "/// See [`crate::monitor`].\npub use crate::signal::b;");
        accepted("src/main.rs", "fn main() { siskin::cli::main() }");
    }

    #[test]
    fn the_world_in_a_pure_room_is_refused() {
        refused("src/monitor/a.rs", "fn f() { Instant::now(); }", "`Instant`");
        refused("src/monitor/a.rs", "fn f() { jiff::Timestamp::now(); }", "`::now`");
        refused("src/monitor/a.rs", "use std::time::SystemTime;", "`SystemTime`");
        refused("src/config/a.rs", "fn f() { std::fs::read(\"a\"); }", "`std::fs`");
        refused("src/config/a.rs", "use std::fs::File;", "`File`");
        refused("src/alarm/a.rs", "use tokio::sync::mpsc;", "`tokio`");
        refused("src/alarm.rs", "use rusqlite::Connection;", "`rusqlite`");
        refused("src/signal/a.rs", "use std::net::TcpStream;", "`TcpStream`");
        accepted("src/config/a.rs", "use std::net::SocketAddr; // never std::fs\nfn f(now: Mono) {}");
        accepted("src/history/a.rs", "use std::fs::File; fn f() { Instant::now(); }");
    }

    #[test]
    fn the_wall_clock_read_in_passing_is_refused() {
        refused("src/history/a.rs", "fn f() { Wall::now(); }", "`Wall::now` outside src/daemon/clock.rs");
        refused("src/serve/a.rs", "fn f() { std::time::SystemTime::now(); }", "`SystemTime::now`");
        refused("src/modbus/a.rs", "fn f() { jiff::Timestamp::now(); }", "`Timestamp::now`");
        accepted(WALL_CLOCK, "fn f() { Wall::now(); }");
        accepted("src/cli/report.rs", "fn f() { Wall::now(); }");
        accepted("src/history/a.rs", "fn f() { Instant::now(); }");
    }

    #[test]
    fn a_file_without_its_opening_paragraph_is_refused() {
        let source = Source::new("src/signal/a.rs", "use std::fmt;\n//! Too late.\n");
        assert_eq!(files_open_with_their_purpose(&source).len(), 1);
        accepted("src/signal/a.rs", "use std::fmt;");
    }

    #[test]
    fn a_long_file_without_a_reason_is_refused() {
        let long = "struct A;\n".repeat(CODE_LINES_MAX + 1);
        refused("src/signal/a.rs", &long, "501 lines of code");
        accepted("src/signal/a.rs", &"// words\n\n".repeat(CODE_LINES_MAX + 1));
        accepted("src/signal/a.rs", &format!("//! {LONG_FILE_REASON} it is a table.\n{long}"));
    }

    #[test]
    fn ending_the_process_below_main_is_refused() {
        refused("src/cli/run.rs", "fn f() { std::process::exit(1) }", "process::exit");
        accepted("src/main.rs", "fn main() { std::process::exit(1) }");
    }

    #[test]
    fn printing_outside_the_commands_is_refused() {
        refused("src/daemon/a.rs", "fn f() { println!(\"here\") }", "`println!`");
        refused("src/modbus/a.rs", "fn f() { eprintln!(\"here\") }", "`eprintln!`");
        accepted("src/daemon/a.rs", "fn f() { writeln!(out, \"println!\") }");
        accepted("src/cli/status.rs", "fn f() { eprintln!(\"here\") }");
    }

    #[test]
    fn a_function_that_changes_a_device_is_refused() {
        refused("src/modbus/a.rs", "use tokio_modbus::Request::WriteSingleCoil;", "`WriteSingleCoil`");
        accepted("src/modbus/a.rs", "use tokio_modbus::Request::ReadCoils;");
    }

    #[test]
    fn a_loose_end_is_refused() {
        refused("src/signal/a.rs", concat!("// TO", "DO: tomorrow"), "is left");
        accepted("src/signal/a.rs", "// TODOS is a word of its own");
    }

    #[test]
    fn a_stranger_at_the_top_is_refused() {
        let names = ["src", ".gitignore", "notes.txt"].map(str::to_owned);
        assert_eq!(unexpected_at_the_top(&names).len(), 1);
    }
}

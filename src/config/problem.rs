//! What is wrong, or doubtful, in a site file: each with its place, and all of them at once.
//!
//! A [`Problem`] knows what was expected, what was found and what was probably meant; the texts it
//! points into travel with it, so that it can show the very line. Nothing here judges a setting.

use std::collections::HashSet;
use std::fmt;
use std::ops::Range;

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

/// The most problems that are told at once, in the order of the text.
const PROBLEMS_TOLD_MAX: usize = 100;

/// A piece of one of the texts that were read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub(super) struct Span {
    /// Which text, by its place in [`Texts`].
    pub file: usize,
    /// First byte.
    pub start: usize,
    /// One past the last byte.
    pub end: usize,
}

impl Span {
    pub(super) fn new(file: usize, bytes: Range<usize>) -> Span {
        Span { file, start: bytes.start, end: bytes.end }
    }
}

/// The texts that were read: the site file, then the profiles in the order they are first named.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Texts(Vec<Text>);

#[derive(Debug, Clone, PartialEq, Eq)]
struct Text {
    name: String,
    content: String,
}

impl Texts {
    /// Takes a text in, and says which number it has from now on.
    pub(super) fn add(&mut self, name: String, content: String) -> usize {
        self.0.push(Text { name, content });
        self.0.len() - 1
    }

    pub(super) fn content(&self, file: usize) -> &str {
        self.0.get(file).map_or("", |text| text.content.as_str())
    }

    /// Every text's content, in order.
    pub(super) fn contents(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(|text| text.content.as_str())
    }

    fn name(&self, file: usize) -> &str {
        self.0.get(file).map_or("", |text| text.name.as_str())
    }

    /// Line and column of a place, both from 1; the column counts characters.
    fn line_and_column(&self, span: Span) -> (usize, usize) {
        let before = self.content(span.file).get(..span.start).unwrap_or("");
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        let line = before.matches('\n').count() + 1;
        (line, before.get(line_start..).unwrap_or("").chars().count() + 1)
    }
}

/// One thing that is wrong, or doubtful.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(super) struct Problem {
    title: String,
    span: Option<Span>,
    label: String,
    also: Vec<(Span, String)>,
    help: Option<String>,
}

impl Problem {
    /// A problem at `span`: `title` names the fault, `label` says what was expected and found there.
    pub(super) fn new(span: Span, title: impl Into<String>, label: impl Into<String>) -> Problem {
        Problem { title: title.into(), span: Some(span), label: label.into(), also: Vec::new(), help: None }
    }

    /// A problem of the file as a whole.
    pub(super) fn without_place(title: impl Into<String>) -> Problem {
        Problem { title: title.into(), span: None, label: String::new(), also: Vec::new(), help: None }
    }

    /// Another place that has to do with it.
    pub(super) fn also(mut self, span: Span, label: impl Into<String>) -> Problem {
        self.also.push((span, label.into()));
        self
    }

    /// What the person can do.
    pub(super) fn help(mut self, help: impl Into<String>) -> Problem {
        self.help = Some(help.into());
        self
    }

    /// The nearest of `known` to `found`, as a help, when there is one near enough.
    pub(super) fn nearest<'a>(self, found: &str, known: impl IntoIterator<Item = &'a str>) -> Problem {
        match crate::names::nearest(found, known) {
            Some(near) => self.help(format!("did you mean `{near}`?")),
            None => self,
        }
    }
}

/// Every problem of a site file, or every doubt about one that has no problem. In the order of the
/// text. `Display` shows each with the line it stands on and a mark below it, without colour.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problems {
    texts: Texts,
    severity: Severity,
    list: Vec<Problem>,
    left_out: usize,
    site_file_unreadable: bool,
}

/// How much a problem matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Severity {
    /// The site cannot be run.
    Error,
    /// The site can be run, but probably not as somebody meant it.
    Doubt,
}

impl Severity {
    /// The word used in text and JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Severity::Error => "error",
            Severity::Doubt => "doubt",
        }
    }
}

/// A problem as plain words and numbers, for faces that do not show text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Located {
    /// The file it is in, when it has a place.
    pub file: Option<String>,
    /// Line, from 1.
    pub line: Option<usize>,
    /// Column in characters, from 1.
    pub column: Option<usize>,
    /// What is wrong.
    pub title: String,
    /// What was expected and what was found.
    pub label: String,
    /// What the person can do.
    pub help: Option<String>,
}

impl Problems {
    pub(super) fn new(texts: Texts, severity: Severity, mut list: Vec<Problem>) -> Problems {
        // What is wrong in a profile is found once for each device that uses it.
        let mut told = HashSet::new();
        list.retain(|problem| told.insert(problem.clone()));
        list.sort_by_key(|problem| (problem.span.is_none(), problem.span));
        let left_out = list.len().saturating_sub(PROBLEMS_TOLD_MAX);
        list.truncate(PROBLEMS_TOLD_MAX);
        Problems { texts, severity, list, left_out, site_file_unreadable: false }
    }

    /// The site file itself could not be read.
    pub(super) fn unreadable(path: &str, cause: &std::io::Error) -> Problems {
        let problem = Problem::without_place(format!("cannot read the site file {path}: {cause}"));
        let problems = Problems::new(Texts::default(), Severity::Error, vec![problem]);
        // What is not text is the file's fault.
        Problems { site_file_unreadable: cause.kind() != std::io::ErrorKind::InvalidData, ..problems }
    }

    /// Whether the site file could not even be read, so that nothing in it is to blame.
    pub fn is_unreadable(&self) -> bool {
        self.site_file_unreadable
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// How many there are, those included that are too many to be told.
    pub fn len(&self) -> usize {
        self.list.len() + self.left_out
    }

    /// Whether these are errors or doubts.
    pub fn severity(&self) -> Severity {
        self.severity
    }

    /// Each that is told, as plain words and numbers.
    pub fn located(&self) -> impl Iterator<Item = Located> {
        self.list.iter().map(|problem| {
            let place = problem.span.map(|span| self.texts.line_and_column(span));
            Located {
                file: problem.span.map(|span| self.texts.name(span.file).to_owned()),
                line: place.map(|(line, _)| line),
                column: place.map(|(_, column)| column),
                title: problem.title.clone(),
                label: problem.label.clone(),
                help: problem.help.clone(),
            }
        })
    }

    fn render(&self, problem: &Problem) -> String {
        let level = match self.severity {
            Severity::Error => Level::ERROR,
            Severity::Doubt => Level::WARNING.with_name("doubt"),
        };
        let Some(span) = problem.span else { return self.render_without_place(problem) };
        let title = level.primary_title(&problem.title);
        let mut group = title.elements(self.snippets(problem, span));
        if let Some(help) = &problem.help {
            group = group.element(Level::HELP.message(help));
        }
        Renderer::plain().render(&[group])
    }

    fn render_without_place(&self, problem: &Problem) -> String {
        let help = problem.help.as_ref().map_or(String::new(), |help| format!("\n  = help: {help}"));
        format!("{}: {}{help}", self.severity.word(), problem.title)
    }

    /// One snippet for each file the problem has to do with, its own file first.
    fn snippets<'a>(
        &'a self,
        problem: &'a Problem,
        span: Span,
    ) -> Vec<Snippet<'a, annotate_snippets::Annotation<'a>>> {
        let mut files = vec![span.file];
        for (other, _) in &problem.also {
            if !files.contains(&other.file) {
                files.push(other.file);
            }
        }
        let main = AnnotationKind::Primary.span(span.start..span.end).label(&problem.label);
        let mut main = Some(main);
        let snippet =
            |file| {
                let others = problem.also.iter().filter(move |(other, _)| other.file == file);
                Snippet::source(self.texts.content(file))
                    .path(self.texts.name(file))
                    .annotations(main.take())
                    .annotations(others.map(|(other, label)| {
                        AnnotationKind::Context.span(other.start..other.end).label(label)
                    }))
            };
        files.into_iter().map(snippet).collect()
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (number, problem) in self.list.iter().enumerate() {
            if number > 0 {
                writeln!(out)?;
            }
            writeln!(out, "{}", self.render(problem))?;
        }
        if self.left_out > 0 {
            writeln!(out, "\n… and {} more", self.left_out)?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}

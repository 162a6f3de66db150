//! Stage one: the site file as it was written, with the place of everything in it.
//!
//! Each table is declared once, in [`tables`]: its keys, the shape of their values, what holds when
//! a key is absent, a sentence and an example. The declaration makes the struct that mirrors the
//! table, its reader, which refuses every key it does not know, and the reference documentation.
//! What the settings mean to one another is stage two's business.

mod amount;
mod physical;
mod schema;
mod shapes;
mod tables;
mod words;

use schemars::Schema;
use toml::de::{DeTable, DeValue};

use super::problem::{Problem, Span};

pub use amount::duration;
pub(super) use amount::{Lasting, OverWhat, Size, spell_duration};
pub use schema::{Describes, schema};
pub(super) use shapes::{
    BadValue, Bounded, Id, Listen, Percent, Positive, Share, StateNames, StateWord, TcpAddress, Text,
};
pub(super) use tables::{
    Alarm, Calibration, Control, Current, Device, GasReferenceTable, Guard, History, Http, Line,
    MeasurementLost, Profile, PushButton, Root, Rs485, Scada, Scale, Sensor, Signal, SiteTable, every_table,
};
pub(super) use words::{KindWord, Word};

/// A value and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct At<T> {
    pub value: T,
    pub span: Span,
}

/// What the file has for one key.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) enum Field<T> {
    /// Nothing.
    #[default]
    Absent,
    /// Something that has already been reported.
    Broken,
    /// Nothing, but there is a default.
    Default(T),
    /// A value of the right shape.
    Given(At<T>),
}

impl<T> Field<T> {
    /// The value, given or by default.
    pub(super) fn get(&self) -> Option<&T> {
        match self {
            Field::Absent | Field::Broken => None,
            Field::Default(value) => Some(value),
            Field::Given(at) => Some(&at.value),
        }
    }

    /// The value with its place, when the file gives it.
    pub(super) fn given(&self) -> Option<&At<T>> {
        match self {
            Field::Given(at) => Some(at),
            Field::Absent | Field::Broken | Field::Default(_) => None,
        }
    }

    /// What `make` makes of the given value: `Some(None)` when none is given, `None` when the value is
    /// broken or nothing can be made of it.
    pub(super) fn make<U>(&self, make: impl FnOnce(&At<T>) -> Option<U>) -> Option<Option<U>> {
        match self {
            Field::Broken => None,
            Field::Absent | Field::Default(_) => Some(None),
            Field::Given(at) => make(at).map(Some),
        }
    }

    /// Whether the file has the key, be its value right or wrong.
    pub(super) fn is_there(&self) -> bool {
        matches!(self, Field::Given(_) | Field::Broken)
    }

    /// Where the given value stands, or else `table`.
    pub(super) fn span_or(&self, table: Span) -> Span {
        self.given().map_or(table, |at| at.span)
    }

    /// This, or `below` when the file has nothing here.
    fn or(self, below: Field<T>) -> Field<T> {
        match self {
            Field::Absent => below,
            Field::Broken | Field::Default(_) | Field::Given(_) => self,
        }
    }
}

impl<T: Shape> Field<T> {
    /// Puts the default in where the file has nothing; reports a required key that is missing.
    fn complete(&mut self, key: &Key, table: &str, span: Span, problems: &mut Vec<Problem>) {
        if matches!(self, Field::Absent) {
            match key.presence {
                Presence::Otherwise(_) => {}
                Presence::Default(text) => *self = default_value(text).map_or(Field::Absent, Field::Default),
                Presence::Required => problems.push(missing(key, table, span)),
            }
        }
        match self {
            Field::Absent | Field::Broken => {}
            Field::Default(value) | Field::Given(At { value, .. }) => value.complete(problems),
        }
    }
}

impl<T> Field<Vec<T>> {
    /// The items; none when there is no list.
    pub(super) fn items(&self) -> &[T] {
        self.get().map_or(&[], Vec::as_slice)
    }
}

fn default_value<T: Shape>(text: &'static str) -> Option<T> {
    let value = DeValue::parse(text).ok()?;
    let mut reader = Reader { file: 0, problems: &mut Vec::new() };
    T::read(&mut reader, "", Span::default(), value.get_ref())
}

fn missing(key: &Key, table: &str, span: Span) -> Problem {
    Problem::new(span, format!("missing key `{}`", key.name), format!("{table} needs {}", key.expected))
        .help(format!("for example `{} = {}`", key.name, key.example))
}

/// What a value looks like in the file.
pub(super) trait Shape: Sized {
    /// In words: "a whole number from 0 to 15".
    fn expected() -> String;

    /// In JSON Schema, for editors. It refuses nothing that [`Shape::read`] takes; what cannot be said
    /// there plainly, it lets pass.
    fn schema() -> Schema;

    /// The value; `None` once everything that is wrong with it has been reported.
    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self>;

    /// The value in one canonical form, to tell whether a setting has changed.
    fn show(&self) -> String;

    /// For a table: puts in every default, and reports every required key that is missing.
    fn complete(&mut self, _problems: &mut Vec<Problem>) {}
}

/// Reads one text's tables, and collects what is wrong with them.
pub(super) struct Reader<'a> {
    pub file: usize,
    pub problems: &'a mut Vec<Problem>,
}

impl Reader<'_> {
    /// The place of a piece of this text.
    fn span<T>(&self, piece: &toml::Spanned<T>) -> Span {
        Span::new(self.file, piece.span())
    }

    /// What a table has for a key.
    fn field<T: Shape>(&mut self, table: &DeTable, key: &str) -> Field<T> {
        let Some(value) = table.get(key) else { return Field::Absent };
        let span = self.span(value);
        T::read(self, key, span, value.get_ref())
            .map_or(Field::Broken, |value| Field::Given(At { value, span }))
    }

    /// Reports a value of the wrong shape.
    fn wrong<T>(&mut self, key: &str, span: Span, expected: &str, value: &DeValue) -> Option<T> {
        self.wrong_with(key, span, expected, value, |problem| problem)
    }

    /// Reports a value of the wrong shape, with something more to say.
    fn wrong_with<T>(
        &mut self,
        key: &str,
        span: Span,
        expected: &str,
        value: &DeValue,
        more: impl FnOnce(Problem) -> Problem,
    ) -> Option<T> {
        let label = format!("expected {expected}, found {}", described(value));
        self.problems.push(more(Problem::new(span, format!("wrong value for `{key}`"), label)));
        None
    }

    /// Reports every key of `table` that its declaration does not have.
    fn refuse_unknown_keys(&mut self, table: &DeTable, declared: &TableKeys) {
        let known: Vec<&str> = declared.keys.iter().map(|key| key.name).collect();
        for (key, _) in table {
            let name: &str = key.get_ref();
            if known.contains(&name) {
                continue;
            }
            let span = self.span(key);
            let label = format!("not a key of {}", declared.title);
            self.problems.push(
                Problem::new(span, format!("unknown key `{name}`"), label)
                    .nearest(name, known.iter().copied()),
            );
        }
    }
}

/// A value in words, short enough for one line.
fn described(value: &DeValue) -> String {
    const TEXT_SHOWN_CHARS_MAX: usize = 40;
    match value {
        DeValue::String(text) if text.chars().count() > TEXT_SHOWN_CHARS_MAX => {
            format!("a text of {} characters", text.chars().count())
        }
        DeValue::String(text) => format!("the text {text:?}"),
        DeValue::Integer(number) => format!("the number {number}"),
        DeValue::Float(number) => format!("the number {number}"),
        DeValue::Boolean(flag) => flag.to_string(),
        DeValue::Datetime(_) => "a date or time without quotes".to_owned(),
        DeValue::Array(items) => format!("a list of {}", items.len()),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// A table as its declaration describes it.
pub(super) struct TableKeys {
    /// As it stands in the file, e.g. `[[line]]`.
    pub title: &'static str,
    /// What it is for.
    pub doc: &'static str,
    /// Its keys in the order in which they are best told.
    pub keys: Vec<Key>,
}

/// A key as its declaration describes it.
pub(super) struct Key {
    pub name: &'static str,
    pub expected: String,
    pub schema: Schema,
    pub presence: Presence,
    pub doc: &'static str,
    /// A value as TOML text.
    pub example: &'static str,
    /// Whether this text is a value that the key takes.
    #[cfg(test)]
    pub accepts: fn(&'static str) -> bool,
}

/// What holds when a key is absent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Presence {
    /// The site cannot be run.
    Required,
    /// This value, as TOML text.
    Default(&'static str),
    /// This, in words.
    Otherwise(&'static str),
}

/// Whether `text` is a TOML value of this shape.
#[cfg(test)]
fn accepts<T: Shape>(text: &'static str) -> bool {
    default_value::<T>(text).is_some()
}

/// Declares a table: the struct that mirrors it, its reader and its description.
macro_rules! table {
    (
        $(#[doc = $doc:literal])+
        $name:ident = $title:literal {
            $( $(#[doc = $key_doc:literal])+ $key:ident: $shape:ty = $presence:expr, $example:literal; )+
        }
    ) => {
        $(#[doc = $doc])+
        #[derive(Debug, Clone, PartialEq, Default)]
        pub(in crate::config) struct $name {
            /// Where the table's header stands.
            pub span: Span,
            $( $(#[doc = $key_doc])+ pub $key: Field<$shape>, )+
        }

        impl $name {
            /// The table's description.
            pub(in crate::config) fn keys() -> TableKeys {
                TableKeys {
                    title: $title,
                    doc: concat!($($doc),+),
                    keys: vec![$( Key {
                        name: stringify!($key).trim_start_matches("r#"),
                        expected: <$shape>::expected(),
                        schema: <$shape>::schema(),
                        presence: $presence,
                        doc: concat!($($key_doc),+),
                        example: $example,
                        #[cfg(test)]
                        accepts: accepts::<$shape>,
                    } ),+],
                }
            }

            /// This table's keys, and those of `below` for which this one has nothing.
            #[allow(dead_code, reason = "only signals are laid over one another")]
            pub(in crate::config) fn over(self, below: Self) -> Self {
                Self { span: self.span, $( $key: self.$key.or(below.$key), )+ }
            }

            /// The keys that the file has, and where each stands when its value has the right shape.
            #[allow(dead_code, reason = "only alarms have keys that not all of them use")]
            pub(in crate::config) fn keys_there(&self) -> Vec<(&'static str, Option<Span>)> {
                let mut keys = Vec::new();
                $( if self.$key.is_there() {
                    let span = self.$key.given().map(|at| at.span);
                    keys.push((stringify!($key).trim_start_matches("r#"), span));
                } )+
                keys
            }

            /// Every setting in effect, as key and value.
            pub(in crate::config) fn settings(&self) -> Vec<(&'static str, String)> {
                let mut settings = Vec::new();
                $( if let Some(value) = self.$key.get() {
                    settings.push((stringify!($key).trim_start_matches("r#"), value.show()));
                } )+
                settings
            }
        }

        impl Shape for $name {
            fn expected() -> String {
                "a table".to_owned()
            }

            fn schema() -> Schema {
                schema::of_table(&Self::keys())
            }

            fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
                let Some(table) = value.as_table() else {
                    return reader.wrong(key, span, &Self::expected(), value);
                };
                reader.refuse_unknown_keys(table, &Self::keys());
                Some(Self {
                    span,
                    $( $key: reader.field(table, stringify!($key).trim_start_matches("r#")), )+
                })
            }

            fn show(&self) -> String {
                let settings = self.settings();
                let shown: Vec<String> =
                    settings.iter().map(|(key, value)| format!("{key} = {value}")).collect();
                format!("{{{}}}", shown.join(", "))
            }

            fn complete(&mut self, problems: &mut Vec<Problem>) {
                let declared = Self::keys();
                let mut keys = declared.keys.iter();
                $( if let Some(key) = keys.next() {
                    self.$key.complete(key, declared.title, self.span, problems);
                } )+
            }
        }
    };
}
use table;

//! The shapes of single values: what each accepts, and what it says it expected.

use std::fmt::Display;
use std::net::SocketAddr;

use jiff::civil::Time;
use jiff::tz::{TimeZone, TimeZoneDatabase};
use schemars::{Schema, json_schema};
use toml::de::DeValue;

use super::{At, Reader, Shape};
use crate::config::problem::{Problem, Span};
use crate::signal::code_as_number;

/// The longest id, in characters.
const ID_CHARS_MAX: usize = 64;

/// The longest text for a person, in characters.
const TEXT_CHARS_MAX: usize = 1000;

/// A name for machines.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::config) struct Id(pub String);

impl Shape for Id {
    fn expected() -> String {
        "an id".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "string", "pattern": format!("^[a-z0-9_-]{{1,{ID_CHARS_MAX}}}$") })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        let allowed = |character: char| {
            character.is_ascii_lowercase() || character.is_ascii_digit() || "-_".contains(character)
        };
        match value.as_str() {
            Some(id) if (1..=ID_CHARS_MAX).contains(&id.len()) && id.chars().all(allowed) => {
                Some(Id(id.to_owned()))
            }
            Some(_) | None => reader.wrong_with(key, span, &Self::expected(), value, |problem| {
                problem.help(format!("1 to {ID_CHARS_MAX} characters out of a-z, 0-9, `-` and `_`"))
            }),
        }
    }

    fn show(&self) -> String {
        self.0.clone()
    }
}

/// Words for a person, on one line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::config) struct Text(pub String);

impl Shape for Text {
    fn expected() -> String {
        "a text".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "string", "minLength": 1, "maxLength": TEXT_CHARS_MAX })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        match value.as_str() {
            Some(text)
                if (1..=TEXT_CHARS_MAX).contains(&text.chars().count())
                    && !text.chars().any(char::is_control) =>
            {
                Some(Text(text.to_owned()))
            }
            Some(_) | None => reader.wrong_with(key, span, &Self::expected(), value, |problem| {
                problem.help(format!("1 to {TEXT_CHARS_MAX} characters on one line"))
            }),
        }
    }

    fn show(&self) -> String {
        self.0.clone()
    }
}

impl Shape for bool {
    fn expected() -> String {
        "true or false".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "boolean" })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        value.as_bool().or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        self.to_string()
    }
}

/// A whole number from `LOW` to `HIGH`, both of which a `T` can hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::config) struct Bounded<T, const LOW: i64, const HIGH: i64>(pub T);

impl<T: TryFrom<i64> + Display, const LOW: i64, const HIGH: i64> Shape for Bounded<T, LOW, HIGH> {
    fn expected() -> String {
        format!("a whole number from {LOW} to {HIGH}")
    }

    fn schema() -> Schema {
        json_schema!({ "type": "integer", "minimum": LOW, "maximum": HIGH })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        whole_number(value)
            .filter(|number| (LOW..=HIGH).contains(number))
            .and_then(|number| T::try_from(number).ok())
            .map(Bounded)
            .or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        self.0.to_string()
    }
}

fn whole_number(value: &DeValue) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

fn number(value: &DeValue) -> Option<f64> {
    let number = match value.as_float() {
        Some(float) => float.as_str().parse().ok(),
        None => whole_number(value).map(code_as_number),
    };
    number.filter(|number: &f64| number.is_finite())
}

impl Shape for f64 {
    fn expected() -> String {
        "a number".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "number" })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        number(value).or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        format!("{self:?}")
    }
}

/// A share of a whole, from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::config) struct Share(pub f64);

impl Shape for Share {
    fn expected() -> String {
        "a number from 0 to 1".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "number", "minimum": 0, "maximum": 1 })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        number(value)
            .filter(|number| (0.0..=1.0).contains(number))
            .map(Share)
            .or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        self.0.show()
    }
}

/// A part of a hundred, above 0 and at most 100.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::config) struct Percent(pub f64);

impl Shape for Percent {
    fn expected() -> String {
        "a number above 0, at most 100".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "number", "exclusiveMinimum": 0, "maximum": 100 })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        number(value)
            .filter(|number| *number > 0.0 && *number <= 100.0)
            .map(Percent)
            .or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        self.0.show()
    }
}

/// A number above 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::config) struct Positive(pub f64);

impl Shape for Positive {
    fn expected() -> String {
        "a number above 0".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "number", "exclusiveMinimum": 0 })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        number(value)
            .filter(|number| *number > 0.0)
            .map(Positive)
            .or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        self.0.show()
    }
}

impl Shape for [f64; 2] {
    fn expected() -> String {
        "two numbers, such as [0.0, 20.0]".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "array", "items": f64::schema(), "minItems": 2, "maxItems": 2 })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        let Some([low, high]) = value.as_array().map(|items| &items[..]) else {
            return reader.wrong(key, span, &Self::expected(), value);
        };
        let [low, high] = [low, high].map(|item| {
            let span = reader.span(item);
            f64::read(reader, key, span, item.get_ref())
        });
        Some([low?, high?])
    }

    fn show(&self) -> String {
        format!("{self:?}")
    }
}

impl<T: Shape> Shape for Vec<At<T>> {
    fn expected() -> String {
        format!("a list, each {}", T::expected())
    }

    fn schema() -> Schema {
        json_schema!({ "type": "array", "items": T::schema() })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        let Some(items) = value.as_array() else {
            return reader.wrong(key, span, &Self::expected(), value);
        };
        let read: Vec<Option<At<T>>> = items
            .iter()
            .map(|item| {
                let span = reader.span(item);
                T::read(reader, key, span, item.get_ref()).map(|value| At { value, span })
            })
            .collect();
        read.into_iter().collect()
    }

    fn show(&self) -> String {
        let shown: Vec<String> = self.iter().map(|item| item.value.show()).collect();
        format!("[{}]", shown.join(", "))
    }

    fn complete(&mut self, problems: &mut Vec<Problem>) {
        for item in self {
            item.value.complete(problems);
        }
    }
}

/// A state, by any of its names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::config) enum StateWord {
    /// A bit.
    Flag(bool),
    /// A name out of the signal's `states`.
    Name(String),
    /// An integer code.
    Code(i64),
}

impl Shape for StateWord {
    fn expected() -> String {
        "true, false, the name of a state, or a whole number".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": ["boolean", "string", "integer"] })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        let flag = value.as_bool().map(StateWord::Flag);
        let name = value.as_str().map(|name| StateWord::Name(name.to_owned()));
        let code = whole_number(value).map(StateWord::Code);
        flag.or(name).or(code).or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        match self {
            StateWord::Flag(flag) => flag.to_string(),
            StateWord::Name(name) => name.clone(),
            StateWord::Code(code) => code.to_string(),
        }
    }
}

/// Names for states: the key as it was written, and the name.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::config) struct StateNames(pub Vec<(At<String>, At<Text>)>);

impl Shape for StateNames {
    fn expected() -> String {
        "a table from false and true, or from whole numbers, to names".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "object", "additionalProperties": Text::schema() })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        let Some(table) = value.as_table() else {
            return reader.wrong(key, span, &Self::expected(), value);
        };
        let names: Vec<Option<(At<String>, At<Text>)>> = table
            .iter()
            .map(|(code, name)| {
                let span = reader.span(name);
                let text = Text::read(reader, key, span, name.get_ref())?;
                let code = At { value: code.get_ref().to_string(), span: reader.span(code) };
                Some((code, At { value: text, span }))
            })
            .collect();
        let mut names = names.into_iter().collect::<Option<Vec<_>>>()?;
        names.sort_by_key(|(code, _)| code.span);
        Some(StateNames(names))
    }

    fn show(&self) -> String {
        let shown: Vec<String> =
            self.0.iter().map(|(code, name)| format!("{} = {}", code.value, name.value.0)).collect();
        format!("{{{}}}", shown.join(", "))
    }
}

/// Where to listen, if at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::config) enum Listen {
    /// Nowhere.
    Off,
    /// Here.
    On(SocketAddr),
}

impl Shape for Listen {
    fn expected() -> String {
        "an address and port, such as \"127.0.0.1:8485\" or \"[::1]:8485\", or \"off\"".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "string", "pattern": "^(off|.+:[0-9]+)$" })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        match value.as_str() {
            Some("off") => Some(Listen::Off),
            other => other
                .and_then(|text| text.parse().ok())
                .map(Listen::On)
                .or_else(|| reader.wrong(key, span, &Self::expected(), value)),
        }
    }

    fn show(&self) -> String {
        match self {
            Listen::Off => "off".to_owned(),
            Listen::On(address) => address.to_string(),
        }
    }
}

/// What stands for a value that must not be used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::config) struct BadValue(pub crate::signal::BadValue);

impl Shape for BadValue {
    fn expected() -> String {
        "\"nan\", \"last_good\" or a number".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "anyOf": [{ "enum": ["nan", "last_good"] }, { "type": "number" }] })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        use crate::signal::BadValue as Meant;
        let fixed = number(value).filter(|number| number.abs() <= f64::from(f32::MAX)).map(Meant::Fixed);
        let meant = match value.as_str() {
            Some("nan") => Some(Meant::Nan),
            Some("last_good") => Some(Meant::LastGood),
            Some(_) | None => fixed,
        };
        meant.map(BadValue).or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        match self.0 {
            crate::signal::BadValue::Nan => "nan".to_owned(),
            crate::signal::BadValue::LastGood => "last_good".to_owned(),
            crate::signal::BadValue::Fixed(number) => number.show(),
        }
    }
}

/// `host:port`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::config) struct TcpAddress(pub String);

impl Shape for TcpAddress {
    fn expected() -> String {
        "a host and port, such as \"192.0.2.10:502\"".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "string", "pattern": "^[^\\s]+:[0-9]+$" })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        let has_host_and_port = |text: &&str| {
            text.rsplit_once(':').is_some_and(|(host, port)| {
                let bare_ipv6 = host.contains(':') && !(host.starts_with('[') && host.ends_with(']'));
                let port_is_one = port.parse::<u16>().is_ok_and(|port| port > 0);
                !host.is_empty() && !bare_ipv6 && !host.contains(char::is_whitespace) && port_is_one
            })
        };
        value
            .as_str()
            .filter(has_host_and_port)
            .map(|text| TcpAddress(text.to_owned()))
            .or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        self.0.clone()
    }
}

impl Shape for Time {
    fn expected() -> String {
        "a time of day from \"00:00\" to \"23:59\"".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "string", "pattern": "^[0-9]{2}:[0-9]{2}$" })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        let two_digits = |text: &str| text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit());
        value
            .as_str()
            .and_then(|text| text.split_once(':'))
            .filter(|(hour, minute)| two_digits(hour) && two_digits(minute))
            .and_then(|(hour, minute)| Time::new(hour.parse().ok()?, minute.parse().ok()?, 0, 0).ok())
            .or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        format!("{:02}:{:02}", self.hour(), self.minute())
    }
}

/// Zones come from the database built into the program: the same everywhere, and no file is opened.
impl Shape for TimeZone {
    fn expected() -> String {
        "the IANA name of a time zone, such as \"America/Chicago\"".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "string", "minLength": 1 })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        let zones = TimeZoneDatabase::bundled();
        let found = value.as_str().unwrap_or("");
        zones.get(found).ok().or_else(|| {
            let known: Vec<String> = zones.available().map(|name| name.as_str().to_owned()).collect();
            reader.wrong_with(key, span, &Self::expected(), value, |problem| {
                problem.nearest(found, known.iter().map(String::as_str))
            })
        })
    }

    fn show(&self) -> String {
        self.iana_name().unwrap_or("UTC").to_owned()
    }
}

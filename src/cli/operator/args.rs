//! The operator commands as they are typed, and the requests they come to.

use std::time::Duration;

use crate::config;
use crate::control::protocol::{ActKind, ActRequest, Alarms, AllWord, GroupName};
use crate::control::work;

/// Which alarms; all of them at once makes sense.
#[derive(Debug, clap::Args)]
#[group(required = true, multiple = false)]
struct Any {
    /// Ids of alarms, as `siskin alarms --all` shows them
    #[arg(value_name = "ALARM")]
    alarms: Vec<String>,
    /// Every alarm of this first-out group for which it means something now
    #[arg(long, value_name = "GROUP")]
    group: Option<String>,
    /// Every alarm for which it means something now
    #[arg(long)]
    all: bool,
}

/// Which alarms, by name: nobody is to withhold all of them in one breath.
#[derive(Debug, clap::Args)]
#[group(required = true, multiple = false)]
struct Named {
    /// Ids of alarms, as `siskin alarms --all` shows them
    #[arg(value_name = "ALARM")]
    alarms: Vec<String>,
    /// Every alarm of this first-out group
    #[arg(long, value_name = "GROUP")]
    group: Option<String>,
}

/// Who says so.
#[derive(Debug, clap::Args)]
pub(in crate::cli) struct Caller {
    /// Your name, for the record, when several people use one account
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) name: Option<String>,
}

/// Who says so, and perhaps why.
#[derive(Debug, clap::Args)]
pub(in crate::cli) struct Said {
    #[command(flatten)]
    caller: Caller,
    /// Why, for the record
    #[arg(long, value_name = "TEXT")]
    remark: Option<String>,
}

/// `siskin ack`.
#[derive(Debug, clap::Args)]
pub struct Ack {
    #[command(flatten)]
    which: Any,
    /// What you saw: the number that `siskin status` and `siskin alarms` tell. An alarm that has
    /// called since then is not acknowledged
    #[arg(long, value_name = "SEQ")]
    seen: Option<u64>,
    #[command(flatten)]
    said: Said,
}

/// `siskin reset`.
#[derive(Debug, clap::Args)]
pub struct Reset {
    #[command(flatten)]
    which: Any,
    #[command(flatten)]
    said: Said,
}

/// `siskin shelve`.
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("time").required(true).args(["for_", "once"]))]
pub struct Shelve {
    #[command(flatten)]
    which: Named,
    /// For how long, such as 90s, 30m, 2h or 1d; the site has a longest time
    #[arg(long = "for", value_name = "TIME", value_parser = time)]
    for_: Option<Duration>,
    /// Until the condition is gone for the first time
    #[arg(long)]
    once: bool,
    #[command(flatten)]
    said: Said,
}

/// `siskin unshelve`.
#[derive(Debug, clap::Args)]
pub struct Unshelve {
    #[command(flatten)]
    which: Any,
    #[command(flatten)]
    said: Said,
}

/// `siskin out-of-service`.
#[derive(Debug, clap::Args)]
pub struct OutOfService {
    #[command(flatten)]
    which: Named,
    #[command(flatten)]
    caller: Caller,
    /// Why, for the record and for whoever finds the alarm so
    #[arg(long, value_name = "TEXT", required = true)]
    remark: String,
}

/// `siskin in-service`.
#[derive(Debug, clap::Args)]
pub struct InService {
    #[command(flatten)]
    which: Any,
    #[command(flatten)]
    said: Said,
}

/// A time from one second on.
pub(in crate::cli) fn time(text: &str) -> Result<Duration, String> {
    let time = config::duration(text).filter(|time| time.as_secs() > 0);
    time.ok_or_else(|| "a whole number and one of the units s, m, h and d, such as 2h".to_owned())
}

/// A number that is one: what a person has read or measured is neither `nan` nor without end.
pub(in crate::cli) fn finite(text: &str) -> Result<f64, String> {
    let number = text.trim().parse().ok().filter(|number: &f64| number.is_finite());
    number.ok_or_else(|| "a number such as 16 or 0.25".to_owned())
}

impl Ack {
    /// Whether the alarms are not named one by one, and nothing tells what the operator has seen of them.
    pub(super) fn is_blind(&self) -> bool {
        self.seen.is_none() && self.which.alarms.is_empty()
    }
}

impl From<&Any> for Alarms {
    fn from(which: &Any) -> Alarms {
        if which.all { Alarms::All(AllWord::All) } else { by_name(&which.alarms, which.group.as_ref()) }
    }
}

impl From<&Named> for Alarms {
    fn from(which: &Named) -> Alarms {
        by_name(&which.alarms, which.group.as_ref())
    }
}

fn by_name(alarms: &[String], group: Option<&String>) -> Alarms {
    match group {
        Some(group) => Alarms::Group(GroupName { group: group.clone() }),
        None => Alarms::These(alarms.to_vec()),
    }
}

impl Said {
    fn with(&self, kind: ActKind, alarms: Alarms) -> ActRequest {
        let (name, remark) = (self.caller.name.clone(), self.remark.clone());
        ActRequest { name, remark, ..ActRequest::new(kind, alarms) }
    }
}

impl From<&Said> for work::Said {
    fn from(said: &Said) -> work::Said {
        work::Said { name: said.caller.name.clone(), remark: said.remark.clone() }
    }
}

impl From<&Ack> for ActRequest {
    fn from(args: &Ack) -> ActRequest {
        ActRequest { seen: args.seen, ..args.said.with(ActKind::Acknowledge, (&args.which).into()) }
    }
}

impl From<&Reset> for ActRequest {
    fn from(args: &Reset) -> ActRequest {
        args.said.with(ActKind::Reset, (&args.which).into())
    }
}

impl From<&Shelve> for ActRequest {
    fn from(args: &Shelve) -> ActRequest {
        let request = args.said.with(ActKind::Shelve, (&args.which).into());
        ActRequest { for_s: args.for_.map(|time| time.as_secs()), once: args.once, ..request }
    }
}

impl From<&Unshelve> for ActRequest {
    fn from(args: &Unshelve) -> ActRequest {
        args.said.with(ActKind::Unshelve, (&args.which).into())
    }
}

impl From<&OutOfService> for ActRequest {
    fn from(args: &OutOfService) -> ActRequest {
        ActRequest {
            name: args.caller.name.clone(),
            remark: Some(args.remark.clone()),
            ..ActRequest::new(ActKind::OutOfService, (&args.which).into())
        }
    }
}

impl From<&InService> for ActRequest {
    fn from(args: &InService) -> ActRequest {
        args.said.with(ActKind::InService, (&args.which).into())
    }
}

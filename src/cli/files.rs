//! How many files this process may have open, sockets among them.
//!
//! A shell allows 1,024 as a rule, and a process may allow itself more up to a limit that the system sets
//! (`getrlimit(2)`, RLIMIT_NOFILE). It is asked for once, before anything is served.

use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

/// Raises the limit to `wanted`, or as near as the system lets it; returns what it is then.
pub fn raise_limit(wanted: u64) -> u64 {
    let Rlimit { current, maximum } = getrlimit(Resource::Nofile);
    let current = current.unwrap_or(u64::MAX);
    let raised = raised(current, maximum, wanted);
    let asked = Rlimit { current: Some(raised), maximum };
    let is_raised = raised > current && setrlimit(Resource::Nofile, asked).is_ok();
    let allowed = if is_raised { raised } else { current };
    if allowed < wanted {
        tracing::warn!(
            "the system allows {allowed} open files, {wanted} would be needed for every HTTP reader: \
             fewer are taken in; `LimitNOFILE=` or `ulimit -n` raises it"
        );
    }
    allowed
}

/// `None` is no limit at all.
fn raised(current: u64, maximum: Option<u64>, wanted: u64) -> u64 {
    wanted.min(maximum.unwrap_or(u64::MAX)).max(current)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_limit_is_raised_as_far_as_it_may_and_never_lowered() {
        assert_eq!(raised(1024, Some(524_288), 2816), 2816);
        assert_eq!(raised(1024, Some(2000), 2816), 2000);
        assert_eq!(raised(8192, Some(8192), 2816), 8192);
        assert_eq!(raised(1024, None, 2816), 2816);
        assert_eq!(raise_limit(0), raise_limit(0), "who wants nothing changes nothing");
    }
}

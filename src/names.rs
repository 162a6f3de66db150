//! Names that people write: which of those that are known a wrong one was probably meant to be.
//!
//! One measure for the site file, the commands and the pages, so that all of them guess alike.

/// How alike two names must be, as Jaro and Winkler measure it: 1 for the same, 0 for nothing in common.
/// siskin's own choice.
const NEAR_ENOUGH: f64 = 0.7;
/// A longer name is no slip of the fingers, and comparing it would hold up whoever asks.
const NAME_BYTES_MAX: usize = 200;

/// The one of `known` that `found` is most probably a slip of; `None` when nothing is near.
pub fn nearest<'a>(found: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    if found.len() > NAME_BYTES_MAX {
        return None;
    }
    known
        .into_iter()
        .map(|name| (strsim::jaro_winkler(found, name), name))
        .filter(|(likeness, _)| *likeness >= NEAR_ENOUGH)
        .max_by(|(one, _), (other, _)| one.total_cmp(other))
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_of_the_fingers_find_the_name_that_was_meant() {
        let known = ["h2s-high", "h2s-high-high", "flow-low", "setpoint", "deadband"];
        for (found, meant) in [
            ("h2s-hihg", Some("h2s-high")),
            ("flowlow", Some("flow-low")),
            ("setpiont", Some("setpoint")),
            ("dead_band", Some("deadband")),
            ("zzz", None),
            ("", None),
        ] {
            assert_eq!(nearest(found, known), meant, "{found}");
        }
    }

    #[test]
    fn a_name_beyond_the_longest_is_compared_with_none() {
        let name = "h".repeat(NAME_BYTES_MAX);
        assert_eq!(nearest(&name, [name.as_str()]), Some(name.as_str()));
        let longer = format!("{name}h");
        assert_eq!(nearest(&longer, [longer.as_str()]), None);
    }
}

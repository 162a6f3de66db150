//! What siskin has seen of a step, as it goes into the record: a device with many signals or alarms gives more
//! findings than a list in the journal takes, so several of them then share an item.
//!
//! It shortens nothing that fits, and says how much it has left out of what does not.

use crate::control::proof::LIST_ITEMS_MAX;
use crate::control::protocol::REMARK_CHARS_MAX;

/// How many bytes the findings of one step may take: with them a request stays well below
/// [`REQUEST_BYTES_MAX`](crate::control::protocol::REQUEST_BYTES_MAX).
const FOUND_BYTES_MAX: usize = 40 * 1024;
const BETWEEN: &str = "; ";

/// The findings in their order, as the items of a list: each by itself where they are few enough, otherwise
/// as many in an item as it takes. Findings that do not fit at all are counted in the last item.
pub(super) fn written(findings: Vec<String>) -> Vec<String> {
    let findings: Vec<String> = findings.into_iter().map(short).collect();
    let bytes: usize = findings.iter().map(String::len).sum();
    if findings.len() <= LIST_ITEMS_MAX && bytes <= FOUND_BYTES_MAX {
        return findings;
    }
    let all = findings.len();
    let mut items: Vec<String> = Vec::new();
    let (mut kept, mut bytes) = (0, 0);
    for finding in findings {
        bytes += finding.len() + BETWEEN.len();
        let joined = items.last().map(|last| [last, BETWEEN, &finding].concat());
        let joined = joined.filter(|joined| joined.chars().count() <= REMARK_CHARS_MAX);
        // One item is kept free for what is left out.
        if bytes > FOUND_BYTES_MAX || (joined.is_none() && items.len() + 1 >= LIST_ITEMS_MAX) {
            break;
        }
        match (joined, items.last_mut()) {
            (Some(joined), Some(last)) => *last = joined,
            _ => items.push(finding),
        }
        kept += 1;
    }
    if kept < all {
        items.push(format!("and {} more of {all}, which the record does not take", all - kept));
    }
    items
}

/// A finding that an item takes.
fn short(finding: String) -> String {
    if finding.chars().count() <= REMARK_CHARS_MAX {
        return finding;
    }
    finding.chars().take(REMARK_CHARS_MAX - 1).chain(['…']).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn findings(count: usize, chars: usize) -> Vec<String> {
        (0..count).map(|index| format!("{index:0>chars$}")).collect()
    }

    /// A list that the daemon takes.
    fn fits(items: &[String]) -> bool {
        items.len() <= LIST_ITEMS_MAX && items.iter().all(|item| item.chars().count() <= REMARK_CHARS_MAX)
    }

    #[test]
    fn as_many_as_the_journal_takes_stand_each_for_itself() {
        let found = findings(LIST_ITEMS_MAX, 20);
        assert_eq!(written(found.clone()), found);
    }

    #[test]
    fn one_more_than_that_and_none_is_lost() {
        for count in [LIST_ITEMS_MAX + 1, 400, 1_500] {
            let items = written(findings(count, 24));
            assert!(fits(&items), "{} items of {count}", items.len());
            assert_eq!(items.join(BETWEEN), findings(count, 24).join(BETWEEN));
        }
    }

    #[test]
    fn what_the_record_does_not_take_is_counted() {
        for (count, chars) in [(5_000, 30), (150, REMARK_CHARS_MAX - 10), (150, REMARK_CHARS_MAX + 10)] {
            let items = written(findings(count, chars));
            assert!(fits(&items), "{} items", items.len());
            let bytes: usize = items.iter().map(String::len).sum();
            assert!(bytes <= FOUND_BYTES_MAX + 100, "{bytes}");
            let kept = items[..items.len() - 1].join(BETWEEN).split(BETWEEN).count();
            let told = format!("and {} more of {count}, which the record does not take", count - kept);
            assert_eq!(items.last(), Some(&told));
        }
    }
}

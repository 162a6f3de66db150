//! Saying out loud that a test could not run here, and why.

/// Ends a test that lacks something on this machine. The caller returns after it.
///
/// A bare `cargo test` passes and tells on standard error what it left out; `tests/run` sets
/// `SISKIN_NO_SKIP=1`, and then a test that does not run is a test that fails.
pub fn skip(what: &str, reason: &str) {
    assert!(std::env::var_os("SISKIN_NO_SKIP").is_none(), "{what} was skipped: {reason}");
    // Straight to the descriptor: the test harness swallows what passing tests print.
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "skipped: {what}: {reason}");
}

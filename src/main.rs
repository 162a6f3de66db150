//! The `siskin` command: hands the command line to [`siskin::cli`] and ends with its exit code.

fn main() {}

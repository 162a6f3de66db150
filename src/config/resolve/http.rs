//! The HTTP face: where it listens, by which certificate, and for whom.

use std::path::PathBuf;

use crate::config::HttpSpec;
use crate::config::problem::Problem;
use crate::config::raw::{At, Field, Http, Listen, Text};

/// The face; `Some(None)` when it is turned off.
pub(super) fn http(table: &Http, problems: &mut Vec<Problem>) -> Option<Option<HttpSpec>> {
    let told = [("certificate", &table.certificate), ("key", &table.key), ("tokens", &table.tokens)];
    let Listen::On(listen) = *table.listen.get()? else {
        for (key, given) in told {
            report_without_effect(key, given, problems);
        }
        return Some(None);
    };
    report_half_a_pair(table, problems);
    if let Some(tokens) = table.tokens.given()
        && !table.certificate.is_there()
        && !listen.ip().is_loopback()
    {
        let label = "everybody on the way could read the tokens, and then everything";
        problems.push(
            Problem::new(tokens.span, "tokens over the network without a certificate", label)
                .help("give `certificate` and `key`, or keep `listen` on 127.0.0.1"),
        );
        return None;
    }
    let path = |field: &Field<Text>| field.get().map(|text| PathBuf::from(&text.0));
    let certificate = path(&table.certificate).zip(path(&table.key));
    Some(Some(HttpSpec { listen, certificate, tokens: path(&table.tokens) }))
}

fn report_without_effect(key: &str, given: &Field<Text>, problems: &mut Vec<Problem>) {
    if let Some(At { span, .. }) = given.given() {
        let title = format!("`{key}` without effect");
        problems.push(Problem::new(*span, title, "there is no HTTP: `listen` is \"off\"").help("remove it"));
    }
}

fn report_half_a_pair(table: &Http, problems: &mut Vec<Problem>) {
    for (key, given, other, missing) in [
        ("certificate", &table.certificate, "key", &table.key),
        ("key", &table.key, "certificate", &table.certificate),
    ] {
        if let Some(At { span, .. }) = given.given().filter(|_| !missing.is_there()) {
            let label = format!("`{key}` is of no use without `{other}`");
            problems.push(
                Problem::new(*span, format!("missing key `{other}`"), label)
                    .help(format!("give the file of the {other}, or remove `{key}`")),
            );
        }
    }
}

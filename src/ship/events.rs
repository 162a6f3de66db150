//! The journal's entries on their way to the server: each once, under its own number, in order.

use jiff::Timestamp;
use tokio_postgres::Transaction;

use crate::history::KeptEntry;
use crate::ship::server::{Server, failed};
use crate::ship::{Ship, ShipError, Shipped};

/// Entries in one transaction.
const ENTRIES_PER_COMMIT: usize = 1_000;

const INSERT: &str = "
    INSERT INTO siskin.event (source, seq, time, kind, subject, user_name, person, detail, text, hash)
    SELECT $1, seq, timestamptz 'epoch' + time_ms * interval '1 millisecond', kind, subject, user_name, person,
        detail::json, text, hash
    FROM unnest($2::bigint[], $3::bigint[], $4::text[], $5::text[], $6::text[], $7::text[], $8::text[],
        $9::text[], $10::text[]) AS entry (seq, time_ms, kind, subject, user_name, person, detail, text, hash)";

/// Ships what the journal has beyond what is there.
pub(super) async fn ship(
    ship: &Ship,
    server: &mut Server,
    shipped: &mut Shipped,
    tell: &mut impl FnMut(&Shipped),
) -> Result<(), ShipError> {
    // A journal is known by the hash of its first entry, in which its time stands.
    let Some(first) = ship.journal.read_kept(0, 1)?.pop() else { return Ok(()) };
    loop {
        let name = server.name();
        let failed = |error: tokio_postgres::Error| failed(&name, &error);
        let transaction = server.transaction().await?;
        let (source, done, _) =
            source(&transaction, &ship.site_id, "journal", &first.entry.hash).await.map_err(failed)?;
        let entries = ship.journal.read_kept(u64::try_from(done).unwrap_or(0), ENTRIES_PER_COMMIT)?;
        let Some(last) = entries.last() else { return Ok(()) };
        let last = i64::try_from(last.entry.seq).unwrap_or(i64::MAX);
        insert(&transaction, source, &entries).await.map_err(failed)?;
        progress(&transaction, source, last, None).await.map_err(failed)?;
        transaction.commit().await.map_err(failed)?;
        shipped.events += u64::try_from(entries.len()).unwrap_or(0);
        tell(shipped);
    }
}

async fn insert(
    transaction: &Transaction<'_>,
    source: i32,
    entries: &[KeptEntry],
) -> Result<(), tokio_postgres::Error> {
    let each = |column: fn(&KeptEntry) -> String| -> Vec<String> { entries.iter().map(column).collect() };
    let maybe = |column: fn(&KeptEntry) -> Option<&String>| -> Vec<Option<String>> {
        entries.iter().map(|kept| column(kept).map(|text| storable(text))).collect()
    };
    let numbers: Vec<i64> =
        entries.iter().map(|kept| i64::try_from(kept.entry.seq).unwrap_or(i64::MAX)).collect();
    let times: Vec<i64> = entries.iter().map(|kept| Timestamp::as_millisecond(kept.entry.time)).collect();
    let kinds = each(|kept| storable(&kept.entry.kind));
    let subjects = each(|kept| storable(&kept.entry.subject));
    let users = maybe(|kept| kept.entry.user.as_ref());
    let people = maybe(|kept| kept.entry.name.as_ref());
    let details = each(|kept| serde_json::Value::from(kept.entry.detail.clone()).to_string());
    let texts = each(|kept| kept.text.clone());
    let hashes = each(|kept| kept.entry.hash.clone());
    let columns: [&(dyn tokio_postgres::types::ToSql + Sync); 10] =
        [&source, &numbers, &times, &kinds, &subjects, &users, &people, &details, &texts, &hashes];
    transaction.execute(INSERT, &columns).await.map(|_| ())
}

/// The server's text has no place for a NUL. The text that was hashed writes it as JSON does.
fn storable(text: &str) -> String {
    text.replace('\0', "\u{fffd}")
}

/// The number of what is shipped from, and how far it is. Until the transaction ends nobody else ships it.
pub(super) async fn source(
    transaction: &Transaction<'_>,
    site_id: &str,
    file: &str,
    token: &str,
) -> Result<(i32, i64, i64), tokio_postgres::Error> {
    let known = "INSERT INTO siskin.source (site, file, token) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING";
    transaction.execute(known, &[&site_id, &file, &token]).await?;
    let locked = "SELECT id, done, late_done FROM siskin.source
                  WHERE site = $1 AND file = $2 AND token = $3 FOR UPDATE";
    let row = transaction.query_one(locked, &[&site_id, &file, &token]).await?;
    Ok((row.get(0), row.get(1), row.get(2)))
}

/// Notes how far it is now.
pub(super) async fn progress(
    transaction: &Transaction<'_>,
    source: i32,
    done: i64,
    late_done: Option<i64>,
) -> Result<(), tokio_postgres::Error> {
    let note = "UPDATE siskin.source SET done = greatest(done, $2), late_done = coalesce($3, late_done),
                    shipped = now() WHERE id = $1";
    transaction.execute(note, &[&source, &done, &late_done]).await.map(|_| ())
}

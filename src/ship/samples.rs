//! Samples on their way to the server: minute by minute, each minute once.
//!
//! A minute goes over when it is written, and then as a whole: what the server has of it from the same file
//! is taken away in the transaction that puts it there. Minutes that the history wrote again later, because
//! the wall clock was set back, are shipped again by the numbers under which it noted them.

use std::collections::BTreeMap;

use jiff::SignedDuration;
use tokio_postgres::Transaction;

use crate::history::Reach;
use crate::moment::Wall;
use crate::ship::events::{progress, source};
use crate::ship::server::{Server, failed};
use crate::ship::{Ship, ShipError, Shipped};
use crate::signal::{Sample, SignalIndex, Value};

/// Samples in one transaction, but for a minute that has more.
const SAMPLES_PER_COMMIT: usize = 30_000;
/// Minutes in one transaction.
const MINUTES_PER_COMMIT: i32 = 60;
const MINUTE: SignedDuration = SignedDuration::from_mins(1);
const MINUTE_MS: i64 = 60_000;

const INSERT: &str = "
    INSERT INTO siskin.sample (source, signal, time, nth, value, state, quality, reasons)
    SELECT $1, signal, timestamptz 'epoch' + time_ms * interval '1 millisecond', nth, value, state, quality, reasons
    FROM unnest($2::integer[], $3::bigint[], $4::integer[], $5::double precision[], $6::boolean[], $7::text[],
        $8::text[]) AS sample (signal, time_ms, nth, value, state, quality, reasons)";

const TAKE_AWAY: &str = "
    DELETE FROM siskin.sample USING siskin.signal
    WHERE sample.signal = signal.id AND signal.site = $2 AND source = $1
        AND time >= timestamptz 'epoch' + $3::bigint * interval '1 millisecond'
        AND time < timestamptz 'epoch' + $4::bigint * interval '1 millisecond'";

/// Ships the minutes that the history has beyond what is there, and those that it wrote again.
pub(super) async fn ship(
    ship: &Ship,
    server: &mut Server,
    shipped: &mut Shipped,
    tell: &mut impl FnMut(&Shipped),
) -> Result<(), ShipError> {
    let reach = ship.samples.reach()?;
    let Some(written) = reach.written.clone() else { return Ok(()) };
    loop {
        let name = server.name();
        let failed = |error: tokio_postgres::Error| failed(&name, &error);
        let transaction = server.transaction().await?;
        let asked = source(&transaction, &ship.site_id, "history", &reach.token).await;
        let (source, done_ms, late_done) = asked.map_err(failed)?;
        let round = Round { ship, transaction: &transaction, name: &name, source };
        let done = Wall::from_millisecond(done_ms).unwrap_or(Wall::MIN);
        let from = ship.samples.next_minute(done)?.filter(|from| *from < written.end);
        let (samples, done) = match from {
            Some(from) => {
                if done_ms > 0 && from == written.start && done < from {
                    shipped.given_up.get_or_insert((done, from));
                }
                let (samples, to) = round.minutes(from, written.end).await?;
                progress(&transaction, source, to.as_millisecond(), None).await.map_err(failed)?;
                (samples, to)
            }
            None => {
                let Some((samples, last)) = round.late(late_done, &reach, done).await? else {
                    shipped.samples_to = Some(done);
                    return Ok(());
                };
                progress(&transaction, source, done_ms, Some(last)).await.map_err(failed)?;
                (samples, done)
            }
        };
        transaction.commit().await.map_err(failed)?;
        shipped.samples += samples;
        shipped.samples_to = Some(done);
        tell(shipped);
    }
}

/// One transaction.
struct Round<'a> {
    ship: &'a Ship,
    transaction: &'a Transaction<'a>,
    /// What the server is called when it is told of.
    name: &'a str,
    source: i32,
}

impl Round<'_> {
    /// Ships minutes from one on, as many as go into a transaction; tells how many samples that were, and to
    /// when.
    async fn minutes(&self, from: Wall, end: Wall) -> Result<(u64, Wall), ShipError> {
        let names = self.ship.samples.signals()?;
        let to = (from + MINUTE * MINUTES_PER_COMMIT).min(end);
        let mut samples = Vec::new();
        let mut shipped_to = to;
        for sample in self.ship.samples.replay(&names, from, to)? {
            let (signal, sample) = sample?;
            let minute = minute_of(sample.at.wall);
            let is_next = |(_, last): &(SignalIndex, Sample)| minute_of(last.at.wall) < minute;
            if samples.len() >= SAMPLES_PER_COMMIT && samples.last().is_some_and(is_next) {
                shipped_to = minute;
                break;
            }
            samples.push((signal, sample));
        }
        self.put(&names, &samples, from, shipped_to).await?;
        Ok((u64::try_from(samples.len()).unwrap_or(0), shipped_to))
    }

    /// Ships again the next minute that was written out of its order: how many samples, and its number.
    async fn late(&self, after: i64, reach: &Reach, done: Wall) -> Result<Option<(u64, i64)>, ShipError> {
        let after = u64::try_from(after).unwrap_or(0);
        let late = self.ship.samples.late_minutes(after)?;
        let of_this_round: Vec<_> =
            late.into_iter().filter(|(number, _)| *number <= reach.late_last).collect();
        let Some((last, _)) = of_this_round.last().copied() else { return Ok(None) };
        let mut minutes: Vec<Wall> =
            of_this_round.into_iter().map(|(_, minute)| minute).filter(|minute| *minute < done).collect();
        minutes.sort_unstable();
        minutes.dedup();
        let names = self.ship.samples.signals()?;
        let mut count = 0;
        for minute in minutes {
            let samples: Result<Vec<_>, _> =
                self.ship.samples.replay(&names, minute, minute + MINUTE)?.collect();
            let samples = samples?;
            // A minute that was given up meanwhile stays as it is.
            if !samples.is_empty() {
                self.put(&names, &samples, minute, minute + MINUTE).await?;
                count += u64::try_from(samples.len()).unwrap_or(0);
            }
        }
        Ok(Some((count, i64::try_from(last).unwrap_or(i64::MAX))))
    }

    /// Puts the samples of a time in the place of what is there of it from this file.
    async fn put(
        &self,
        names: &[String],
        samples: &[(SignalIndex, Sample)],
        from: Wall,
        to: Wall,
    ) -> Result<(), ShipError> {
        let put = async {
            let span: [&(dyn tokio_postgres::types::ToSql + Sync); 4] =
                [&self.source, &self.ship.site_id, &from.as_millisecond(), &to.as_millisecond()];
            self.transaction.execute(TAKE_AWAY, &span).await?;
            let numbers = self.numbers(names).await?;
            let rows = Rows::of(samples, &numbers);
            let columns: [&(dyn tokio_postgres::types::ToSql + Sync); 8] = [
                &self.source,
                &rows.signals,
                &rows.times_ms,
                &rows.nth,
                &rows.values,
                &rows.states,
                &rows.qualities,
                &rows.reasons,
            ];
            self.transaction.execute(INSERT, &columns).await
        };
        put.await.map(|_| ()).map_err(|error| failed(self.name, &error).into())
    }

    /// The server's numbers of the signals, in the same order.
    async fn numbers(&self, names: &[String]) -> Result<Vec<i32>, tokio_postgres::Error> {
        let site = &self.ship.site_id;
        let known = "INSERT INTO siskin.signal (site, name) SELECT $1, name FROM unnest($2::text[]) AS name
                     ON CONFLICT DO NOTHING";
        self.transaction.execute(known, &[site, &names]).await?;
        let asked = "SELECT name, id FROM siskin.signal WHERE site = $1";
        let rows = self.transaction.query(asked, &[site]).await?;
        let numbers: BTreeMap<String, i32> = rows.iter().map(|row| (row.get(0), row.get(1))).collect();
        Ok(names.iter().map(|name| numbers.get(name).copied().unwrap_or(0)).collect())
    }
}

/// Samples, a column each.
#[derive(Default)]
struct Rows {
    signals: Vec<i32>,
    times_ms: Vec<i64>,
    /// Of those at one time, which.
    nth: Vec<i32>,
    values: Vec<Option<f64>>,
    states: Vec<Option<bool>>,
    qualities: Vec<&'static str>,
    reasons: Vec<String>,
}

impl Rows {
    fn of(samples: &[(SignalIndex, Sample)], numbers: &[i32]) -> Rows {
        let mut rows = Rows::default();
        let mut last = None;
        for (signal, sample) in samples {
            let key = (*signal, sample.at.wall.as_millisecond());
            let nth = if last == Some(key) { rows.nth.last().copied().unwrap_or(0) + 1 } else { 0 };
            last = Some(key);
            let (value, state) = match sample.value() {
                Some(Value::Number(number)) => (Some(number), None),
                Some(Value::Flag(flag)) => (None, Some(flag)),
                None => (None, None),
            };
            let words: Vec<&str> = sample.reasons().iter().map(crate::signal::Reason::word).collect();
            rows.signals.push(numbers.get(signal.0).copied().unwrap_or(0));
            rows.times_ms.push(key.1);
            rows.nth.push(nth);
            rows.values.push(value);
            rows.states.push(state);
            rows.qualities.push(sample.quality().word());
            rows.reasons.push(words.join(" "));
        }
        rows
    }
}

/// The beginning of the minute of a time.
fn minute_of(at: Wall) -> Wall {
    let begins = at.as_millisecond().div_euclid(MINUTE_MS) * MINUTE_MS;
    Wall::from_millisecond(begins).unwrap_or(at)
}

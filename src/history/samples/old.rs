//! Takes over what lies in a file of the first layout, a row for each sample, minute by minute.
//!
//! It is done once, at the first start with this layout, in slices: one that is cut short goes on where
//! it was. Once no file of that layout is left anywhere, this can go.

use rusqlite::types::ValueRef;
use rusqlite::{Connection, TransactionBehavior};

use crate::history::samples::row::Point;
use crate::history::samples::store::{Known, OpenMinutes, keep_points};
use crate::history::samples::table::Number;
use crate::moment::Wall;
use crate::signal::{Reasons, Value};

/// Samples taken over in one transaction: a few minutes of a large site.
const SLICE: i64 = 100_000;

/// Takes over everything, and drops the old table.
pub(super) fn take_over(db: &mut Connection, known: &mut Known) -> rusqlite::Result<()> {
    let old = "SELECT count(*) FROM sqlite_schema WHERE name = 'old_sample'";
    while db.query_row(old, [], |row| row.get::<_, i64>(0))? > 0 {
        let transaction = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let points = oldest(&transaction)?;
        if points.is_empty() {
            transaction.execute_batch("DROP TABLE old_sample")?;
        } else {
            keep_points(&transaction, known, points.into_iter(), OpenMinutes::at(Wall::MAX))?;
            transaction.execute(
                "DELETE FROM old_sample WHERE id IN (SELECT id FROM old_sample ORDER BY id LIMIT ?1)",
                [SLICE],
            )?;
        }
        transaction.commit()?;
    }
    Ok(())
}

fn oldest(db: &Connection) -> rusqlite::Result<Vec<(Number, Point)>> {
    let mut select =
        db.prepare("SELECT signal, time_ms, value, reasons FROM old_sample ORDER BY id LIMIT ?1")?;
    let points = select.query_map([SLICE], |row| {
        let value = match row.get_ref(2)? {
            ValueRef::Real(number) => Some(Value::Number(number)),
            ValueRef::Integer(flag) => Some(Value::Flag(flag != 0)),
            ValueRef::Null | ValueRef::Text(_) | ValueRef::Blob(_) => None,
        };
        let reasons = Reasons::from_bits(row.get(3)?);
        Ok((row.get(0)?, Point { at_ms: row.get(1)?, value, reasons }))
    })?;
    points.collect()
}

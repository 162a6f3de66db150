//! The units of the trade: their names as people write them, and exact ways between them.
//!
//! A [`Unit`] is a row of one table, with its factor and where that comes from. [`conversion`] leads
//! from one unit to another; what such a way depends on is handed in as [`Circumstances`], never
//! assumed: the [`GasReference`] of a cubic foot, the [`Substance`] between mass and moles, the ambient
//! pressure between gauge and absolute. Gas is taken as ideal: real methane fills 0.2 % less at 60 °F.

mod convert;
mod reference;
mod substance;
mod unit;

pub use convert::{Circumstances, Conversion, Inconvertible, conversion};
pub use reference::GasReference;
pub use substance::Substance;
pub use unit::{Quantity, UNITS, Unit, Volume};

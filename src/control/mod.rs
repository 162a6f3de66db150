//! The control socket: the one way in for operator actions, and a way to ask what is known.
//!
//! A Unix stream socket in the data directory. One JSON object per line asks, one JSON object per line
//! answers; `docs/control-socket.md` is the contract. Who may use it is decided by the file's owner,
//! group and mode; who used it is told by the operating system ([`caller`]), never by the message.
//!
//! [`Socket::bind`] claims the file, [`Socket::serve`] answers until it is told to stop; [`client`] is
//! the other end.

mod answer;
mod caller;
pub mod client;
pub mod gas_test;
mod loan;
pub mod proof;
pub mod protocol;
pub mod sensor;
mod server;
mod socket;
#[cfg(test)]
mod tests;
pub mod work;

pub use caller::name_or_uid;
pub use server::Serving;
pub use socket::{ControlError, Socket};

//! What the service supervisor is told: ready, reloading, alive, stopping.
//!
//! The protocol is `sd_notify(3)`: a datagram to the socket named in `NOTIFY_SOCKET`, whose name begins
//! with `@` when it is an abstract one. Without that variable nobody wants to know.

use std::env;
use std::ffi::OsStr;
use std::io;
use std::os::linux::net::SocketAddrExt;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};

/// A notice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Notice {
    /// Everything is open, bound and running.
    Ready,
    /// Every part of it makes progress.
    Alive,
    /// It is reading its site file anew; [`Notice::Ready`] follows.
    Reloading,
    /// It is ending in good order.
    Stopping,
}

/// Tells the supervisor, if there is one that wants to know.
pub fn tell(notice: Notice) {
    if let Some(socket) = env::var_os("NOTIFY_SOCKET")
        && let Err(error) = send(&socket, notice)
    {
        tracing::warn!("the service supervisor cannot be told {notice:?}: {error}");
    }
}

fn send(socket: &OsStr, notice: Notice) -> io::Result<()> {
    let address = match socket.as_bytes().strip_prefix(b"@") {
        Some(name) => SocketAddr::from_abstract_name(name)?,
        None => SocketAddr::from_pathname(socket)?,
    };
    let text = match notice {
        Notice::Ready => "READY=1\n".to_owned(),
        Notice::Alive => "WATCHDOG=1\n".to_owned(),
        Notice::Reloading => format!("RELOADING=1\nMONOTONIC_USEC={}\n", monotonic_us()),
        Notice::Stopping => "STOPPING=1\n".to_owned(),
    };
    UnixDatagram::unbound()?.send_to_addr(text.as_bytes(), &address).map(drop)
}

/// The system's monotonic clock, by which the supervisor tells a reload that it asked for from an
/// earlier one.
fn monotonic_us() -> i128 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    i128::from(now.tv_sec) * 1_000_000 + i128::from(now.tv_nsec) / 1_000
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn the_supervisor_hears_how_the_daemon_fares() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("notify");
        let supervisor = UnixDatagram::bind(&path).unwrap();
        let heard = |notice| {
            send(path.as_os_str(), notice).unwrap();
            let mut heard = [0; 64];
            let length = supervisor.recv(&mut heard).unwrap();
            String::from_utf8(heard[..length].to_vec()).unwrap()
        };
        assert_eq!(heard(Notice::Ready), "READY=1\n");
        assert_eq!(heard(Notice::Alive), "WATCHDOG=1\n");
        let reloading = heard(Notice::Reloading);
        let at_us: u64 =
            reloading.strip_prefix("RELOADING=1\nMONOTONIC_USEC=").unwrap().trim_end().parse().unwrap();
        assert!(at_us > 0, "{reloading}");
    }

    #[test]
    fn an_abstract_socket_is_found_by_its_at_sign() {
        let name = format!("siskin-test-{}", std::process::id());
        let address = SocketAddr::from_abstract_name(&name).unwrap();
        let supervisor = UnixDatagram::bind_addr(&address).unwrap();
        send(OsStr::new(&format!("@{name}")), Notice::Stopping).unwrap();
        let mut heard = [0; 64];
        let length = supervisor.recv(&mut heard).unwrap();
        assert_eq!(&heard[..length], b"STOPPING=1\n");
    }
}

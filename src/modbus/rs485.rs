//! Has the kernel switch an RS-485 driver between sending and receiving with the RTS line.
//!
//! Most adapters switch by themselves and know nothing of this. Serial ports of embedded boards often
//! do not: there the kernel must do it, and only when it is told to (Linux, `serial_rs485(7)` and
//! *RS485 Serial Communications* in the kernel's documentation). Only Linux has this.

use std::os::fd::{AsRawFd, BorrowedFd};
use std::time::Duration;

use rustix::io::Errno;
use rustix::ioctl::{Getter, Opcode, Updater, ioctl};

use crate::config::Rs485;

/// `TIOCGRS485` and `TIOCSRS485`, from `asm-generic/ioctls.h`: so on x86, Arm, RISC-V and POWER.
const TIOCGRS485: Opcode = 0x542E;
const TIOCSRS485: Opcode = 0x542F;

/// `SER_RS485_ENABLED` and its neighbours, from `linux/serial.h`.
const ENABLED: u32 = 1 << 0;
const RTS_ON_SEND: u32 = 1 << 1;
const RTS_AFTER_SEND: u32 = 1 << 2;

/// `struct serial_rs485`: flags, two delays in milliseconds, and what later kernels put behind them.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Mode {
    flags: u32,
    delay_before_ms: u32,
    delay_after_ms: u32,
    rest: [u32; 5],
}

/// Switches the kernel's RS-485 mode on for an open port. Returns what a person should know, when
/// the mode is not as it was asked for: the port is open all the same.
pub(super) fn switch_on(port: &impl AsRawFd, wanted: Rs485) -> Option<String> {
    // SAFETY: whoever owns the port lends it for the whole call, so that it stays open.
    let port = unsafe { BorrowedFd::borrow_raw(port.as_raw_fd()) };
    let switched = mode_of(port).and_then(|mode| set_mode(port, mode.with(wanted)));
    match switched {
        Ok(mode) if mode.flags & ENABLED != 0 => None,
        Ok(_) => Some("the port's driver did not take `rs485`; it stays as it was".to_owned()),
        Err(Errno::NOTTY) => Some(
            "`rs485` has no effect: this adapter switches between sending and receiving by itself".to_owned(),
        ),
        Err(error) => Some(format!("`rs485` could not be set: {error}")),
    }
}

impl Mode {
    /// This mode with what is wanted put in; what else the driver has set stays.
    fn with(self, wanted: Rs485) -> Mode {
        let flag = |flag, on| if on { flag } else { 0 };
        let others = self.flags & !(ENABLED | RTS_ON_SEND | RTS_AFTER_SEND);
        Mode {
            flags: others
                | ENABLED
                | flag(RTS_ON_SEND, wanted.rts_on_send)
                | flag(RTS_AFTER_SEND, wanted.rts_after_send),
            delay_before_ms: millis(wanted.delay_before),
            delay_after_ms: millis(wanted.delay_after),
            rest: self.rest,
        }
    }
}

fn millis(delay: Duration) -> u32 {
    u32::try_from(delay.as_millis()).unwrap_or(u32::MAX)
}

fn mode_of(port: BorrowedFd) -> Result<Mode, Errno> {
    // SAFETY: TIOCGRS485 writes one `struct serial_rs485`, 32 bytes since it exists, of which `Mode`
    // is the layout; every bit pattern is a valid `Mode`.
    unsafe { ioctl(port, Getter::<TIOCGRS485, Mode>::new()) }
}

/// Returns the mode that the driver has put in force.
fn set_mode(port: BorrowedFd, mut mode: Mode) -> Result<Mode, Errno> {
    // SAFETY: TIOCSRS485 reads one `struct serial_rs485` and writes back what the driver made of it;
    // `Mode` is its layout, and lives past the call.
    unsafe { ioctl(port, Updater::<TIOCSRS485, Mode>::new(&mut mode)) }?;
    Ok(mode)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;
    use crate::modbus::tests::pty::Pty;

    const WANTED: Rs485 = Rs485 {
        rts_on_send: true,
        rts_after_send: false,
        delay_before: Duration::from_millis(1),
        delay_after: Duration::from_millis(2),
    };

    /// The size that `linux/serial.h` gives it on every architecture.
    #[test]
    fn the_mode_has_the_size_the_kernel_writes() {
        assert_eq!(size_of::<Mode>(), 32);
    }

    #[test]
    fn what_the_driver_has_set_besides_stays() {
        let had = Mode { flags: RTS_AFTER_SEND | 1 << 4, rest: [7; 5], ..Mode::default() };
        let mode = had.with(WANTED);
        let expected = Mode { flags: 1 | 2 | 1 << 4, delay_before_ms: 1, delay_after_ms: 2, rest: [7; 5] };
        assert_eq!(mode, expected);
    }

    #[test]
    fn a_port_that_has_no_such_mode_is_left_as_it_is_with_a_word() {
        let pty = Pty::open();
        let port = std::fs::File::open(&pty.path).unwrap();
        let word = switch_on(&port, WANTED).unwrap();
        assert!(word.contains("switches between sending and receiving by itself"), "{word}");
    }
}

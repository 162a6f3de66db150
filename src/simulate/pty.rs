//! A pseudo-terminal whose other end looks like a serial port. No root and no hardware needed.

use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::{AsFd, BorrowedFd};
use std::os::unix::ffi::OsStringExt as _;
use std::path::{Path, PathBuf};

use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl, open};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{ControlModes, InputModes, OptionalActions, tcgetattr, tcsetattr};

use crate::config::Parity;
use crate::simulate::Asker;

/// The near end; the far end is opened by its path.
#[derive(Debug)]
pub(super) struct Pty {
    near: File,
    path: PathBuf,
}

impl Pty {
    /// A new pair in raw mode: bytes pass unchanged, nothing is echoed, nothing is a signal.
    ///
    /// `baud` is the speed it has until somebody sets another; what cannot be had stays as it is.
    pub fn open(baud: Option<u32>) -> io::Result<Pty> {
        let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&near)?;
        unlockpt(&near)?;
        let path = PathBuf::from(std::ffi::OsString::from_vec(ptsname(&near, Vec::new())?.into_bytes()));
        let far = open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
        let mut settings = tcgetattr(&far)?;
        settings.make_raw();
        if let Some(baud) = baud {
            let _ = settings.set_speed(baud);
        }
        tcsetattr(&far, OptionalActions::Now, &settings)?;
        fcntl_setfl(&near, fcntl_getfl(&near)? | OFlags::NONBLOCK)?;
        Ok(Pty { near: File::from(near), path })
    }

    /// What whoever has the far end open has set it to. A pseudo-terminal keeps the speed, and forgets
    /// parity but for its traces: odd has a bit of its own, checking is asked for or refused.
    pub fn asker(&self) -> Option<Asker> {
        let settings = tcgetattr(&self.near).ok()?;
        let (input, control) = (settings.input_modes, settings.control_modes);
        let parity = if control.contains(ControlModes::PARODD) {
            Some(Parity::Odd)
        } else if input.contains(InputModes::INPCK) {
            Some(Parity::Even)
        } else {
            input.contains(InputModes::IGNPAR).then_some(Parity::None)
        };
        Some(Asker { baud: settings.output_speed(), parity })
    }

    /// The path by which the far end is opened.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl AsFd for Pty {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.near.as_fd()
    }
}

/// Fails with an error while nobody has the far end open.
impl Read for &Pty {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        (&self.near).read(buffer)
    }
}

impl Write for &Pty {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        (&self.near).write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

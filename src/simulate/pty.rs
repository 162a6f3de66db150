//! A pseudo-terminal whose other end looks like a serial port. No root and no hardware needed.

use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::{AsFd, BorrowedFd};
use std::os::unix::ffi::OsStringExt as _;
use std::path::{Path, PathBuf};

use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl, open};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

/// The near end; the far end is opened by its path.
#[derive(Debug)]
pub(super) struct Pty {
    near: File,
    path: PathBuf,
}

impl Pty {
    /// A new pair in raw mode: bytes pass unchanged, nothing is echoed, nothing is a signal.
    pub fn open() -> io::Result<Pty> {
        let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&near)?;
        unlockpt(&near)?;
        let path = PathBuf::from(std::ffi::OsString::from_vec(ptsname(&near, Vec::new())?.into_bytes()));
        let far = open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
        let mut settings = tcgetattr(&far)?;
        settings.make_raw();
        tcsetattr(&far, OptionalActions::Now, &settings)?;
        fcntl_setfl(&near, fcntl_getfl(&near)? | OFlags::NONBLOCK)?;
        Ok(Pty { near: File::from(near), path })
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

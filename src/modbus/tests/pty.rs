//! A pseudo-terminal pair with a slave on a thread of its own, in real time.

use std::fs::{File, OpenOptions};
use std::path::PathBuf;

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

/// The side of the devices, and the path of the port on the other side.
pub struct Pty {
    pub devices: File,
    pub path: PathBuf,
    /// Keeps the port there while nobody has it open.
    _port: File,
}

impl Pty {
    pub fn open() -> Pty {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let path = PathBuf::from(ptsname(&master, Vec::new()).unwrap().into_string().unwrap());
        let port = OpenOptions::new().read(true).write(true).open(&path).unwrap();
        let mut raw = tcgetattr(&port).unwrap();
        raw.make_raw();
        tcsetattr(&port, OptionalActions::Now, &raw).unwrap();
        Pty { devices: File::from(master), path, _port: port }
    }
}

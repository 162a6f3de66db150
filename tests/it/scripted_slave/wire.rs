//! The slave's end of a pseudo-terminal or a TCP connection.

use std::fs::File;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::os::fd::AsFd;
use std::os::unix::ffi::OsStringExt;
use std::path::PathBuf;
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use siskin::config::{self, Parity, Port, SerialSettings};

use super::Framing;

pub enum Wire {
    /// The master side, and the other side held open so that siskin may come and go.
    Terminal { master: File, _slave: File },
    /// The listener, and who is connected now.
    Tcp { listener: TcpListener, stream: Option<TcpStream> },
}

impl Wire {
    /// A pseudo-terminal, and the line's port at its other end.
    pub fn terminal() -> (Wire, Port) {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let path =
            PathBuf::from(std::ffi::OsString::from_vec(ptsname(&master, Vec::new()).unwrap().into_bytes()));
        let slave = File::options().read(true).write(true).open(&path).unwrap();
        make_raw(&slave);
        let settings = SerialSettings { baud: 115_200, parity: Parity::None, stop_bits: 1 };
        (
            Wire::Terminal { master: File::from(master), _slave: slave },
            Port::Serial { path, settings, rs485: None },
        )
    }

    /// A listening TCP port, and the line's port that leads there.
    pub fn tcp(framing: Framing) -> (Wire, Port) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        listener.set_nonblocking(true).unwrap();
        let framing = match framing {
            Framing::Rtu => config::Framing::Rtu,
            Framing::Tcp => config::Framing::Tcp,
        };
        let address = listener.local_addr().unwrap().to_string();
        (Wire::Tcp { listener, stream: None }, Port::Tcp { address, framing, settings: None })
    }

    /// Appends what arrives within `patience`.
    pub fn read_into(&mut self, input: &mut Vec<u8>, patience: Duration) {
        if !self.wait(patience) {
            return;
        }
        let mut bytes = [0; 512];
        match self {
            Wire::Terminal { master, .. } => {
                let count = master.read(&mut bytes).unwrap_or(0);
                input.extend(&bytes[..count]);
            }
            Wire::Tcp { listener, stream } => {
                if let Ok((newcomer, _)) = listener.accept() {
                    newcomer.set_nonblocking(true).unwrap();
                    newcomer.set_nodelay(true).unwrap();
                    *stream = Some(newcomer);
                    input.clear();
                }
                match stream.as_mut().map(|stream| stream.read(&mut bytes)) {
                    Some(Ok(0)) => *stream = None,
                    Some(Ok(count)) => input.extend(&bytes[..count]),
                    Some(Err(_)) | None => {}
                }
            }
        }
    }

    /// Sends, or loses what nobody is there to receive.
    pub fn write(&mut self, bytes: &[u8]) {
        let _ = match self {
            Wire::Terminal { master, .. } => master.write_all(bytes),
            Wire::Tcp { stream: Some(stream), .. } => stream.write_all(bytes),
            Wire::Tcp { stream: None, .. } => Ok(()),
        };
    }

    fn wait(&self, patience: Duration) -> bool {
        let mut watched = match self {
            Wire::Terminal { master, .. } => vec![PollFd::new(master, PollFlags::IN)],
            Wire::Tcp { listener, stream } => {
                let newcomers = PollFd::new(listener, PollFlags::IN);
                let bytes = stream.as_ref().map(|stream| PollFd::new(stream, PollFlags::IN));
                std::iter::once(newcomers).chain(bytes).collect()
            }
        };
        let patience = Timespec::try_from(patience).unwrap();
        poll(&mut watched, Some(&patience)).is_ok_and(|ready| ready > 0)
    }
}

/// No echo, no line editing, no translation: a terminal that carries bytes.
fn make_raw(terminal: &impl AsFd) {
    let mut settings = tcgetattr(terminal).unwrap();
    settings.make_raw();
    tcsetattr(terminal, OptionalActions::Now, &settings).unwrap();
}

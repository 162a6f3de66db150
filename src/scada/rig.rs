//! A daemon that is not there: a handle over channel ends, with a story to tell, for the tests of
//! this face.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

use crate::alarm::performance::Performance;
use crate::daemon::{Handle, Health, JournalSource, Request};
use crate::history::JournalEntry;
use crate::moment::Wall;
use crate::monitor::Snapshot;
use crate::scada::image::Images;
use crate::scada::{Bound, Numbers, Settings, start};
use crate::signal::BadValue;
use crate::view::story::at_ms;

/// The daemon's ends of the channels.
pub struct Rig {
    pub snapshots: watch::Sender<Arc<Snapshot>>,
    pub health: watch::Sender<Health>,
    pub handle: Handle,
    pub numbers: Numbers,
    now_ms: Arc<AtomicU64>,
    _requests: mpsc::Receiver<Request>,
}

struct NoJournal;

impl JournalSource for NoJournal {
    fn read(&self, _after: u64, _limit: usize) -> Result<Vec<JournalEntry>, String> {
        Err("no face asks for it here".to_owned())
    }

    fn read_last(&self, _limit: usize) -> Result<Vec<JournalEntry>, String> {
        Err("no face asks for it here".to_owned())
    }

    fn performance(&self, _from: Wall, _to: Wall) -> Result<Performance, String> {
        Err("no face asks for it here".to_owned())
    }
}

impl Rig {
    pub fn telling(snapshot: Snapshot) -> Rig {
        let mono_ms = u64::try_from(snapshot.at.mono.since_start().as_millis()).unwrap();
        let now_ms = Arc::new(AtomicU64::new(mono_ms));
        let clock = {
            let now_ms = Arc::clone(&now_ms);
            Arc::new(move || at_ms(now_ms.load(Ordering::Relaxed)))
        };
        let mut numbers = Numbers::default();
        numbers.complete(&snapshot).unwrap();
        let (snapshots, snapshots_out) = watch::channel(Arc::new(snapshot));
        let (health, health_out) = watch::channel(Health::default());
        let (requests, requests_in) = mpsc::channel(1);
        let handle = Handle::new(clock, snapshots_out, health_out, requests, Arc::new(NoJournal));
        Rig { snapshots, health, handle, numbers, now_ms, _requests: requests_in }
    }

    /// Lets so much time go by.
    pub fn pass(&self, duration: Duration) {
        self.now_ms.fetch_add(u64::try_from(duration.as_millis()).unwrap(), Ordering::Relaxed);
    }

    pub fn images(&self, bad_value: BadValue) -> Images {
        let (_, numbers) = watch::channel(self.numbers.clone());
        Images::new(self.handle.clone(), numbers, bad_value)
    }

    /// A server on a free port.
    pub async fn serve(&self, stop: &CancellationToken) -> Bound {
        let anywhere = "127.0.0.1:0".parse().unwrap();
        let settings = Settings { numbers: self.numbers.clone(), bad_value: BadValue::Nan };
        start(anywhere, self.handle.clone(), settings, stop.clone()).await.unwrap()
    }
}

/// A master.
pub struct Master(pub TcpStream);

impl Master {
    pub async fn connect(address: SocketAddr) -> Master {
        Master(TcpStream::connect(address).await.unwrap())
    }

    pub async fn send(&mut self, bytes: &[u8]) {
        self.0.write_all(bytes).await.unwrap();
    }

    /// The next whole answer: transaction number, and the PDU.
    pub async fn answer(&mut self) -> (u16, Vec<u8>) {
        let mut header = [0; 7];
        self.0.read_exact(&mut header).await.unwrap();
        let length = u16::from_be_bytes([header[4], header[5]]);
        let mut pdu = vec![0; usize::from(length) - 1];
        self.0.read_exact(&mut pdu).await.unwrap();
        (u16::from_be_bytes([header[0], header[1]]), pdu)
    }

    /// What input registers hold.
    pub async fn read(&mut self, address: u16, quantity: u16) -> Vec<u16> {
        self.send(&crate::scada::read_request(address, quantity)).await;
        let (_, pdu) = self.answer().await;
        assert_eq!(pdu[..2], [4, u8::try_from(quantity * 2).unwrap()]);
        pdu[2..].chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect()
    }

    /// Whether the server has closed the connection, now or at its next move.
    pub async fn is_closed(&mut self) -> bool {
        matches!(self.0.read(&mut [0; 64]).await, Ok(0) | Err(_))
    }
}

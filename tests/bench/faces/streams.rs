//! Two thousand who listen to the stream, and two hundred who listen and never read: what they cost, and
//! whether anybody notices.

use std::fs;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::task::JoinSet;

use crate::building::{Building, SIGNALS};
use crate::table::{self, percent};

const READERS: usize = 2_000;
const SLEEPERS: usize = 200;
/// The kernel's unit for the memory of sockets (`man 5 proc`, sockstat): a page.
const PAGE_KB: f64 = 4.0;

/// Prints what each crowd costs.
pub fn measure(per_row: Duration) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let mut building = Building::start();
    let bytes = Arc::new(AtomicU64::new(0));
    let mut rows = vec![row("nobody", &mut building, &bytes, 0, per_row)];
    let mut crowd = JoinSet::new();
    let come = runtime.block_on(listen(&mut crowd, building.http, READERS, Some(&bytes)));
    rows.push(row(&format!("{come} who read"), &mut building, &bytes, come, per_row));
    let asleep = runtime.block_on(listen(&mut crowd, building.http, SLEEPERS, None));
    let what = format!("{come} who read, {asleep} who never do");
    rows.push(row(&what, &mut building, &bytes, come, per_row));
    runtime.block_on(crowd.shutdown());
    rows.push(row("all gone again", &mut building, &bytes, 0, per_row));
    let title = format!("The stream of {SIGNALS} signals, {} s each; server on one core", per_row.as_secs());
    let head = [
        "listening",
        "resident, MiB",
        "kernel's sockets, MiB",
        "events/s each",
        "MB/s in all",
        "processor, one core = 100 %",
        "polls",
        "polls astray p50, ms",
        "p99, ms",
    ];
    table::print(&title, &head, &rows);
}

fn row(
    what: &str,
    building: &mut Building,
    bytes: &AtomicU64,
    readers: usize,
    time: Duration,
) -> Vec<String> {
    // What comes first comes to everybody at once; it is not what listening costs.
    std::thread::sleep(Duration::from_secs(2));
    building.devices.evenness();
    bytes.store(0, Ordering::Relaxed);
    let before = building.processor();
    std::thread::sleep(time);
    let per_s = bytes.load(Ordering::Relaxed) as f64 / time.as_secs_f64();
    let event = building.get("/api/v1/status").len() as f64;
    let mut row = vec![
        what.to_owned(),
        format!("{:.1}", building.resident_mib()),
        format!("{:.1}", sockets_mib()),
        if readers == 0 { String::new() } else { format!("{:.2}", per_s / event / readers as f64) },
        format!("{:.1}", per_s / 1e6),
        percent((building.processor() - before) / time.as_secs_f64()),
    ];
    row.extend(building.devices.evenness());
    row
}

/// Has so many come in; returns how many were let in. Who counts bytes reads them.
async fn listen(
    crowd: &mut JoinSet<()>,
    address: SocketAddr,
    count: usize,
    bytes: Option<&Arc<AtomicU64>>,
) -> usize {
    let mut come = 0;
    for _ in 0..count {
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream.write_all(b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
        let mut head = [0; 12];
        stream.read_exact(&mut head).await.unwrap();
        come += usize::from(&head == b"HTTP/1.1 200");
        match bytes.cloned() {
            Some(bytes) => crowd.spawn(read(stream, bytes)),
            None => crowd.spawn(async move {
                let _held_open = stream;
                std::future::pending().await
            }),
        };
    }
    come
}

async fn read(mut stream: TcpStream, bytes: Arc<AtomicU64>) {
    let mut some = vec![0; 16 * 1024];
    while let Ok(count @ 1..) = stream.read(&mut some).await {
        bytes.fetch_add(count as u64, Ordering::Relaxed);
    }
}

/// What the kernel keeps for all TCP sockets of this machine.
fn sockets_mib() -> f64 {
    let told = fs::read_to_string("/proc/net/sockstat").unwrap_or_default();
    let tcp = told.lines().find(|line| line.starts_with("TCP:")).unwrap_or_default();
    let pages = tcp.split_whitespace().skip_while(|word| *word != "mem").nth(1);
    pages.and_then(|pages| pages.parse::<f64>().ok()).unwrap_or(f64::NAN) * PAGE_KB / 1024.0
}

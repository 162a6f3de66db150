//! `/api/v1/status` at 500 requests a second, next to the least that axum can do.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;
use tokio::time::{Instant, sleep_until};

use crate::building::{Building, SIGNALS};
use crate::others;
use crate::process;
use crate::table::{self, percent, quantile};

const CONNECTIONS: u32 = 20;
const REQUESTS_PER_S: u32 = 500;

/// Prints how soon answers come, and how evenly devices are asked meanwhile.
pub fn measure(per_row: Duration) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let mut rows = Vec::new();
    let mut building = Building::start();
    building.devices.evenness();
    std::thread::sleep(per_row);
    rows.push(row("nobody asks", None, Some(building.devices.evenness())));
    for (what, path, headers) in [
        ("siskin: status", "/api/v1/status", ""),
        ("siskin: status, packed", "/api/v1/status", "Accept-Encoding: gzip\r\n"),
        ("siskin: the page", "/", ""),
    ] {
        let before = building.processor();
        let asked = runtime.block_on(ask(building.http, path, headers, per_row));
        let processor = (building.processor() - before) / per_row.as_secs_f64();
        rows.push(row(what, Some((asked, processor)), Some(building.devices.evenness())));
    }
    drop(building);
    let (mut hello, _said, address) = process::another_on_one_core(others::HELLO);
    let (address, id) = (address.parse().unwrap(), hello.id().to_string());
    for (what, path) in [("axum: hello", "/"), ("axum: as long as a status", "/long")] {
        let before = process::processor(&id);
        let asked = runtime.block_on(ask(address, path, "", per_row));
        let processor = (process::processor(&id) - before) / per_row.as_secs_f64();
        rows.push(row(what, Some((asked, processor)), None));
    }
    let _ = hello.kill();
    let _ = hello.wait();
    let title = format!(
        "HTTP at {REQUESTS_PER_S} requests a second over {CONNECTIONS} connections, {} s each; {SIGNALS} signals, server on \
         one core",
        per_row.as_secs()
    );
    let head = [
        "what",
        "bytes",
        "answers/s",
        "refused",
        "p50, ms",
        "p99, ms",
        "longest, ms",
        "processor, one core = 100 %",
        "polls",
        "polls astray p50, ms",
        "p99, ms",
    ];
    table::print(&title, &head, &rows);
}

/// What came of asking.
#[derive(Default)]
struct Asked {
    /// From when a question was due to the end of its answer, in ms.
    took_ms: Vec<f64>,
    refused: u64,
    bytes: usize,
    seconds: f64,
}

fn row(what: &str, asked: Option<(Asked, f64)>, evenness: Option<[String; 3]>) -> Vec<String> {
    let mut row = vec![what.to_owned()];
    row.extend(match asked {
        Some((mut asked, processor)) => {
            let answers = asked.took_ms.len() as f64 / asked.seconds;
            let [half, most, longest] = [0.5, 0.99, 1.0].map(|share| quantile(&mut asked.took_ms, share));
            [
                asked.bytes.to_string(),
                format!("{answers:.1}"),
                asked.refused.to_string(),
                format!("{half:.2}"),
                format!("{most:.2}"),
                format!("{longest:.2}"),
                percent(processor),
            ]
        }
        None => Default::default(),
    });
    row.extend(evenness.unwrap_or_default());
    row
}

/// Asks at a steady pace, whether or not the answers keep up.
async fn ask(address: SocketAddr, path: &'static str, headers: &'static str, time: Duration) -> Asked {
    let asked = Arc::new(Mutex::new(Asked::default()));
    let began = Instant::now();
    let every = Duration::from_secs(1) * CONNECTIONS / REQUESTS_PER_S;
    let clients: Vec<_> = (0..CONNECTIONS)
        .map(|client| {
            let first = began + every * client / CONNECTIONS;
            tokio::spawn(client_of(address, path, headers, (first, every, began + time), Arc::clone(&asked)))
        })
        .collect();
    for client in clients {
        client.await.unwrap().unwrap();
    }
    let mut asked = std::mem::take(&mut *asked.lock().unwrap());
    asked.seconds = began.elapsed().as_secs_f64();
    asked
}

async fn client_of(
    address: SocketAddr,
    path: &str,
    headers: &str,
    (mut due, every, end): (Instant, Duration, Instant),
    asked: Arc<Mutex<Asked>>,
) -> std::io::Result<()> {
    let request = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n{headers}\r\n");
    let mut stream = BufReader::new(TcpStream::connect(address).await?);
    stream.get_ref().set_nodelay(true)?;
    while due < end {
        sleep_until(due).await;
        stream.write_all(request.as_bytes()).await?;
        let (is_good, bytes) = answer(&mut stream).await?;
        let mut asked = asked.lock().unwrap();
        asked.took_ms.push(due.elapsed().as_secs_f64() * 1e3);
        asked.refused += u64::from(!is_good);
        asked.bytes = bytes;
        due += every;
    }
    Ok(())
}

/// Whether an answer was 200, and how long its body was.
async fn answer(stream: &mut BufReader<TcpStream>) -> std::io::Result<(bool, usize)> {
    let (mut line, mut is_good, mut length) = (String::new(), None, 0);
    loop {
        line.clear();
        stream.read_line(&mut line).await?;
        let told = line.trim_end().to_ascii_lowercase();
        is_good = is_good.or(Some(told.starts_with("http/1.1 200")));
        if let Some(told) = told.strip_prefix("content-length: ") {
            length = told.parse().unwrap_or(0);
        }
        if told.is_empty() {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).await?;
    Ok((is_good == Some(true), length))
}

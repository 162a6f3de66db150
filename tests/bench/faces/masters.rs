//! A hundred masters that read 120 registers ten times a second each, next to tokio-modbus' own server.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::{Instant, sleep_until};

use crate::building::{Building, SIGNALS_OF_A_DEVICE};
use crate::others;
use crate::process;
use crate::table::{self, percent, quantile};

const MASTERS: u32 = 100;
const EVERY: Duration = Duration::from_millis(100);
/// Fifteen signals, of which twelve are three whole devices.
const REGISTERS: u16 = 120;
const REGISTERS_OF_A_SIGNAL: usize = 8;
/// Where the signals stand in the map.
const FIRST: u16 = 1000;
/// A whole answer: header, unit, function, count, registers.
const ANSWER_BYTES: usize = 9 + 2 * REGISTERS as usize;

/// Prints how soon masters are answered, and whether what they are told belongs together.
pub fn measure(per_row: Duration) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let mut building = Building::start();
    building.devices.evenness();
    let before = building.processor();
    let asked = runtime.block_on(ask(building.scada, per_row));
    let processor = (building.processor() - before) / per_row.as_secs_f64();
    let mut rows = vec![row("siskin", asked, processor, building.devices.evenness())];
    drop(building);
    let (mut other, _said, address) = process::another_on_one_core(others::MODBUS);
    let id = other.id().to_string();
    let before = process::processor(&id);
    let asked = runtime.block_on(ask(address.parse().unwrap(), per_row));
    let processor = (process::processor(&id) - before) / per_row.as_secs_f64();
    rows.push(row("tokio-modbus, registers that stand still", asked, processor, Default::default()));
    let _ = other.kill();
    let _ = other.wait();
    let title = format!(
        "{MASTERS} masters reading {REGISTERS} registers {} times a second each, {} s; server on one core",
        1000 / EVERY.as_millis(),
        per_row.as_secs()
    );
    let head = [
        "server",
        "answers/s",
        "refused",
        "torn",
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
    /// Answers in which the values of one device are not of one moment.
    torn: u64,
    seconds: f64,
}

fn row(what: &str, mut asked: Asked, processor: f64, evenness: [String; 3]) -> Vec<String> {
    let answers = asked.took_ms.len() as f64 / asked.seconds;
    let [half, most, longest] = [0.5, 0.99, 1.0].map(|share| quantile(&mut asked.took_ms, share));
    let mut row = vec![
        what.to_owned(),
        format!("{answers:.1}"),
        asked.refused.to_string(),
        asked.torn.to_string(),
        format!("{half:.2}"),
        format!("{most:.2}"),
        format!("{longest:.2}"),
        percent(processor),
    ];
    row.extend(evenness);
    row
}

async fn ask(address: SocketAddr, time: Duration) -> Asked {
    let asked = Arc::new(Mutex::new(Asked::default()));
    let began = Instant::now();
    let masters: Vec<_> = (0..MASTERS)
        .map(|at| {
            let first = began + EVERY * at / MASTERS;
            tokio::spawn(master(address, first, began + time, Arc::clone(&asked)))
        })
        .collect();
    for master in masters {
        if master.await.unwrap().is_err() {
            asked.lock().unwrap().refused += 1;
        }
    }
    let mut asked = std::mem::take(&mut *asked.lock().unwrap());
    asked.seconds = began.elapsed().as_secs_f64();
    asked
}

async fn master(
    address: SocketAddr,
    mut due: Instant,
    end: Instant,
    asked: Arc<Mutex<Asked>>,
) -> std::io::Result<()> {
    let question = siskin::scada::read_request(FIRST, REGISTERS);
    let mut stream = TcpStream::connect(address).await?;
    stream.set_nodelay(true)?;
    let mut answer = [0; ANSWER_BYTES];
    while due < end {
        sleep_until(due).await;
        stream.write_all(&question).await?;
        stream.read_exact(&mut answer).await?;
        let registers = &answer[9..];
        let mut asked = asked.lock().unwrap();
        asked.took_ms.push(due.elapsed().as_secs_f64() * 1e3);
        asked.torn += u64::from(!belongs_together(registers));
        due += EVERY;
    }
    Ok(())
}

/// Every register of a device holds how often the device has been asked, so all its signals are equal.
fn belongs_together(registers: &[u8]) -> bool {
    let signals: Vec<&[u8]> =
        registers.chunks(2 * REGISTERS_OF_A_SIGNAL).map(|signal| &signal[..4]).collect();
    signals.chunks(SIGNALS_OF_A_DEVICE).all(|device| device.iter().all(|value| *value == device[0]))
}

//! The simulated devices, as a process of their own: they answer at once, and know how evenly they are asked.

use std::collections::HashMap;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdout};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

use crate::process;
use crate::table::quantile;

/// The argument that makes this program the devices.
pub const DEVICES: &str = "devices";

/// How often each device is asked.
pub const PERIOD: Duration = Duration::from_secs(1);

/// The devices, seen from outside.
pub struct Devices {
    child: Child,
    said: BufReader<ChildStdout>,
    pub address: String,
}

impl Devices {
    pub fn start() -> Devices {
        let (child, said, address) = process::another(DEVICES);
        Devices { child, said, address }
    }

    /// How evenly they were asked since the last time this was asked: how many questions, and by how much
    /// they came too early or too late, half of them and 99 of 100, in ms.
    pub fn evenness(&mut self) -> [String; 3] {
        writeln!(self.child.stdin.as_mut().unwrap(), "tell").unwrap();
        let mut told = String::new();
        self.said.read_line(&mut told).unwrap();
        let mut figures = told.split_whitespace().map(str::to_owned);
        [(); 3].map(|()| figures.next().unwrap_or_default())
    }
}

impl Drop for Devices {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// When each device of each line was last asked, and by how much of a period each question strayed.
#[derive(Default)]
struct Asked {
    last: HashMap<(usize, u8), Instant>,
    strays_ms: Vec<f64>,
}

impl Asked {
    fn now(&mut self, line: usize, unit: u8) {
        let now = Instant::now();
        if let Some(last) = self.last.insert((line, unit), now) {
            let stray = (now - last).as_secs_f64() - PERIOD.as_secs_f64();
            self.strays_ms.push(stray.abs() * 1e3);
        }
    }

    fn tell(&mut self) -> String {
        let count = self.strays_ms.len();
        let [half, most] = [0.5, 0.99].map(|share| quantile(&mut self.strays_ms, share));
        self.strays_ms.clear();
        format!("{count} {half:.1} {most:.1}")
    }
}

/// Every register of a device holds how often it has been asked: what one answer says is equal throughout.
/// Ends with standard input.
pub fn serve() {
    let asked = Arc::new(Mutex::new(Asked::default()));
    let telling = Arc::clone(&asked);
    std::thread::spawn(move || {
        for _ in std::io::stdin().lock().lines() {
            println!("{}", telling.lock().unwrap().tell());
        }
        std::process::exit(0);
    });
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        println!("{}", listener.local_addr().unwrap());
        for line in 0.. {
            let (stream, _) = listener.accept().await.unwrap();
            tokio::spawn(answer(stream, line, Arc::clone(&asked)));
        }
    });
}

async fn answer(mut stream: TcpStream, line: usize, asked: Arc<Mutex<Asked>>) -> std::io::Result<()> {
    stream.set_nodelay(true)?;
    let mut question = [0; 12];
    for times in 0_u16.. {
        stream.read_exact(&mut question).await?;
        let [t0, t1, _, _, _, _, unit, function, _, _, _, count] = question;
        asked.lock().unwrap().now(line, unit);
        let mut frame = vec![t0, t1, 0, 0, 0, 3 + 2 * count, unit, function, 2 * count];
        (0..count).for_each(|_| frame.extend((times % 10_000).to_be_bytes()));
        stream.write_all(&frame).await?;
    }
    Ok(())
}

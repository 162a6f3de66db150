//! What the lines have learned of their devices, kept over restarts in one small file.
//!
//! Nothing hangs on it: what is lost is learned again, at the price of a few questions. So a file that
//! cannot be read is left out with one line in the log, and the record knows nothing of it. Each device
//! is known by its id and by where it is reached: what was learned of another is not believed. The file
//! is replaced as a whole, on a thread of its own; the monitor waits for no disk.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};
use tracing::warn;

use crate::config::{DeviceSpec, Port, Site};
use crate::modbus::plan::{Block, HOLES_MAX};
use crate::modbus::{Learned, LinePlan};
use crate::signal::{DeviceIndex, Table};

/// Its name in the data directory.
pub const LEARNED_FILE: &str = "learned.json";
/// The longest file that is read: that of some hundred devices which refuse all they can.
const FILE_BYTES_MAX: u64 = 4 << 20;
/// Changes that may wait for the disk; one that finds no room is told again with the next.
const CHANGES_WAITING_MAX: usize = 256;
/// What is learned within this time of the first change is written with it.
const GATHER: Duration = Duration::from_secs(5);

/// Something learned of a device.
pub(super) type Change = (Known, Learned);

/// By what a device is known: its id, and where it is reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Known {
    id: String,
    place: String,
}

/// What is remembered of a site's devices.
#[derive(Debug)]
pub(super) struct Memory {
    path: PathBuf,
    /// Every device of the site, in file order.
    devices: Vec<Known>,
    kept: BTreeMap<String, Kept>,
}

/// What the file has for one device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Kept {
    place: String,
    refused: Vec<KeptBlock>,
    latest_us: u64,
    response_us: Option<u64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct KeptBlock {
    table: String,
    start: u16,
    count: u16,
}

impl Memory {
    /// What is remembered in a data directory of the devices of `site`.
    pub(super) fn open(data: &Path, site: &Site) -> Memory {
        let path = data.join(LEARNED_FILE);
        let kept = read(&path).unwrap_or_else(|cause| {
            if cause.kind() != io::ErrorKind::NotFound {
                warn!("{}: left out, its devices are learned anew: {cause}", path.display());
            }
            BTreeMap::new()
        });
        let devices = known(site);
        Memory { path, devices, kept }
    }

    /// Puts what is remembered of a line's devices into its plan.
    pub(super) fn remind(&self, line: &mut LinePlan) {
        for device in &mut line.devices {
            if let Some(learned) = self.of(device.device) {
                device.learned = learned;
            }
        }
    }

    /// From here on takes changes and writes them down, until every sender is dropped.
    pub(super) fn keep(mut self) -> io::Result<(SyncSender<Change>, JoinHandle<()>)> {
        let (tell, changes) = sync_channel(CHANGES_WAITING_MAX);
        let keeper = std::thread::Builder::new().name("memory".to_owned());
        let thread = keeper.spawn(move || self.take_all(&changes))?;
        Ok((tell, thread))
    }

    fn of(&self, device: DeviceIndex) -> Option<Learned> {
        let Known { id, place } = self.devices.get(device.0)?;
        self.kept.get(id).filter(|kept| kept.place == *place).map(Kept::learned)
    }

    fn take_all(&mut self, changes: &Receiver<Change>) {
        while let Ok(first) = changes.recv() {
            self.take(first);
            let until = Instant::now() + GATHER;
            while let Ok(next) = changes.recv_timeout(until.saturating_duration_since(Instant::now())) {
                self.take(next);
            }
            if let Err(cause) = self.write() {
                warn!("{}: what was learned of devices cannot be kept: {cause}", self.path.display());
            }
        }
    }

    fn take(&mut self, (Known { id, place }, learned): Change) {
        self.kept.insert(id, Kept::of(place, &learned));
    }

    /// Writes the devices of the site; what was kept of others is forgotten.
    fn write(&mut self) -> io::Result<()> {
        let devices = &self.devices;
        self.kept.retain(|id, _| devices.iter().any(|known| known.id == *id));
        let next = self.path.with_extension("json.next");
        let mut file = File::create(&next)?;
        file.write_all(&serde_json::to_vec_pretty(&self.kept)?)?;
        file.sync_all()?;
        std::fs::rename(next, &self.path)
    }
}

/// By what the devices of a site are known, in file order.
pub(super) fn known(site: &Site) -> Vec<Known> {
    let place = |line: &Port, unit: u8| match line {
        Port::Serial { path, .. } => format!("{} unit {unit}", path.display()),
        Port::Tcp { address, .. } => format!("{address} unit {unit}"),
    };
    let known = |device: &DeviceSpec| Known {
        id: device.id.clone(),
        place: place(&site.lines[device.line.0].port, device.unit_id),
    };
    site.devices.iter().map(known).collect()
}

fn read(path: &Path) -> io::Result<BTreeMap<String, Kept>> {
    let mut text = Vec::new();
    File::open(path)?.take(FILE_BYTES_MAX).read_to_end(&mut text)?;
    Ok(serde_json::from_slice(&text)?)
}

impl Kept {
    fn of(place: String, learned: &Learned) -> Kept {
        let block = |block: &Block| KeptBlock {
            table: block.table.word().to_owned(),
            start: block.start,
            count: block.count,
        };
        Kept {
            place,
            refused: learned.refused.iter().map(block).collect(),
            latest_us: micros(learned.latest),
            response_us: learned.response.map(micros),
        }
    }

    fn learned(&self) -> Learned {
        Learned {
            refused: self.refused.iter().take(HOLES_MAX).filter_map(KeptBlock::block).collect(),
            latest: Duration::from_micros(self.latest_us),
            response: self.response_us.map(Duration::from_micros),
        }
    }
}

impl KeptBlock {
    /// The block, if there can be one like it.
    fn block(&self) -> Option<Block> {
        let tables = [Table::Coil, Table::Discrete, Table::Holding, Table::Input];
        let table = tables.into_iter().find(|table| table.word() == self.table)?;
        let block = Block { table, start: self.start, count: self.count };
        ((1..=table.items_max()).contains(&self.count) && block.end() <= 1 << 16).then_some(block)
    }
}

fn micros(duration: Duration) -> u64 {
    u64::try_from(duration.as_micros()).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    const DEVICE: DeviceIndex = DeviceIndex(0);

    fn at_unit(unit: u8) -> Known {
        Known { id: "h2s-1".to_owned(), place: format!("/dev/ttyS1 unit {unit}") }
    }

    fn memory(data: &Path, unit: u8) -> Memory {
        let devices = vec![at_unit(unit)];
        Memory {
            path: data.join(LEARNED_FILE),
            devices,
            kept: read(&data.join(LEARNED_FILE)).unwrap_or_default(),
        }
    }

    fn learned() -> Learned {
        let refused = vec![Block { table: Table::Input, start: 65_535, count: 1 }];
        let (latest, response) = (Duration::from_millis(1_700), Some(Duration::from_micros(18_250)));
        Learned { refused, latest, response }
    }

    /// Has a memory take some changes of unit 7 and write them down.
    fn keep(data: &Path, changes: &[Learned]) {
        let (tell, thread) = memory(data, 7).keep().unwrap();
        changes.iter().for_each(|learned| tell.send((at_unit(7), learned.clone())).unwrap());
        drop(tell);
        thread.join().unwrap();
    }

    #[test]
    fn what_was_learned_is_known_after_a_restart() {
        let data = tempfile::tempdir().unwrap();
        assert_eq!(memory(data.path(), 7).of(DEVICE), None);
        keep(data.path(), &[Learned::default(), learned()]);
        assert_eq!(memory(data.path(), 7).of(DEVICE), Some(learned()));
        let left: Vec<_> =
            std::fs::read_dir(data.path()).unwrap().map(|it| it.unwrap().file_name()).collect();
        assert_eq!(left, [LEARNED_FILE]);
    }

    #[test]
    fn what_was_learned_of_another_device_is_not_believed() {
        let data = tempfile::tempdir().unwrap();
        keep(data.path(), &[learned()]);
        assert_eq!(memory(data.path(), 8).of(DEVICE), None);
        assert_eq!(memory(data.path(), 7).of(DeviceIndex(1)), None);
    }

    /// A reload may give a device another unit id: what is learned from then on is that one's.
    #[test]
    fn what_is_learned_after_a_reload_is_kept_for_where_the_device_is_then() {
        let data = tempfile::tempdir().unwrap();
        let (tell, thread) = memory(data.path(), 7).keep().unwrap();
        tell.send((at_unit(8), learned())).unwrap();
        drop(tell);
        thread.join().unwrap();
        assert_eq!(memory(data.path(), 7).of(DEVICE), None);
        assert_eq!(memory(data.path(), 8).of(DEVICE), Some(learned()));
    }

    #[test]
    fn a_damaged_file_is_left_out_and_replaced_with_what_is_learned_anew() {
        let data = tempfile::tempdir().unwrap();
        for damaged in ["", "{", "[]", "{\"h2s-1\": {\"place\": 1}}", "\u{0}\u{0}"] {
            std::fs::write(data.path().join(LEARNED_FILE), damaged).unwrap();
            assert!(read(&data.path().join(LEARNED_FILE)).is_err(), "{damaged}");
            keep(data.path(), &[learned()]);
            assert_eq!(memory(data.path(), 7).of(DEVICE), Some(learned()), "after {damaged:?}");
        }
    }

    #[test]
    fn blocks_that_there_cannot_be_are_left_out() {
        for (table, start, count) in
            [("input", 0, 0), ("input", 0, 126), ("input", 65_535, 2), ("relay", 0, 1)]
        {
            assert_eq!(KeptBlock { table: table.to_owned(), start, count }.block(), None, "{table} {start}");
        }
        assert!(KeptBlock { table: "coil".to_owned(), start: 0, count: 2_000 }.block().is_some());
    }
}

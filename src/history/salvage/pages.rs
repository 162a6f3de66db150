//! The rows of an SQLite file, page by page, however much of it is damaged.
//!
//! SQLite finds a row by way of other pages; should one of those be gone, it finds nothing behind it. Here
//! each page is looked at for itself: what has the form of a leaf gives its rows, what has not gives
//! nothing. Pages in the write-ahead log stand for those in the file, up to its last whole transaction.
//! Whose rows they are, the caller tells from their columns. The form is that of SQLite's file format
//! (<https://www.sqlite.org/fileformat2.html>, sections 1.3, 1.5, 1.6, 2.1 and 4). Nothing is ever written.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::Path;

use crate::history::file::beside;

/// How an SQLite file begins.
const MAGIC: &[u8; 16] = b"SQLite format 3\0";
/// The file's header stands before what is on the first page.
const HEADER_BYTES: usize = 100;
/// Page sizes that are tried besides the one that the header tells.
const PAGE_BYTES_TRIED: [usize; 2] = [1024, 4096];
/// So many pages are looked at to tell which size fits.
const PAGES_TRIED: u32 = 500;
/// No row of ours is larger.
const ROW_BYTES_MAX: usize = 16 << 20;

/// A value as it lies in a row.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::history) enum Stored {
    Null,
    Int(i64),
    Real(f64),
    Text(String),
    Blob(Vec<u8>),
}

/// A row: its number, where its table has such, and its columns.
pub(in crate::history) struct FoundRow {
    pub(in crate::history) number: Option<i64>,
    pub(in crate::history) columns: Vec<Stored>,
}

/// How the pages of a file fared.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(in crate::history) struct PageCount {
    /// All of them.
    pub(in crate::history) pages: u64,
    /// Those that have no form of ours, or hold rows that have not.
    pub(in crate::history) unreadable: u64,
}

/// An SQLite file, open for looking at its pages.
pub(in crate::history) struct Pages {
    file: File,
    log: Option<File>,
    /// Where in the log the last version of a page lies.
    in_log: BTreeMap<u32, u64>,
    page_bytes: usize,
    pages: u32,
    /// Pages that are free, whatever they once held.
    free: BTreeSet<u32>,
}

impl Pages {
    /// Opens a file and the log beside it.
    pub(in crate::history) fn open(path: &Path) -> io::Result<Pages> {
        let file = File::open(path)?;
        let log = File::open(beside(path, "-wal")).ok();
        let mut pages =
            Pages { file, log, in_log: BTreeMap::new(), page_bytes: 0, pages: 0, free: BTreeSet::new() };
        let told = pages.read_log()?;
        pages.page_bytes = match told {
            Some(page_bytes) => page_bytes,
            None => pages.most_fitting()?,
        };
        pages.count_pages()?;
        pages.free = pages.free_pages()?;
        Ok(pages)
    }

    /// Tells every row that can be read.
    pub(in crate::history) fn rows<E: From<io::Error>>(
        &self,
        mut take: impl FnMut(FoundRow) -> Result<(), E>,
    ) -> Result<PageCount, E> {
        let mut count = PageCount { pages: u64::from(self.pages), unreadable: 0 };
        for number in (1..=self.pages).filter(|number| !self.free.contains(number)) {
            let page = self.page(number)?;
            let mut whole = true;
            for cell in cells(&page, number, self.page_bytes) {
                match cell {
                    Cell::Row { number, payload, local, overflow } => {
                        match self.payload(payload, local, overflow)?.as_deref().and_then(columns) {
                            Some(columns) => take(FoundRow { number, columns })?,
                            None => whole = false,
                        }
                    }
                    Cell::None => {}
                    Cell::Garbled => whole = false,
                }
            }
            count.unreadable += u64::from(!whole);
        }
        Ok(count)
    }

    /// A page; what lies beyond the end of the file is zeros.
    fn page(&self, number: u32) -> io::Result<Vec<u8>> {
        let mut page = vec![0; self.page_bytes];
        match (self.in_log.get(&number), &self.log) {
            (Some(at), Some(log)) => read_at(log, *at, &mut page)?,
            _ => read_at(&self.file, u64::from(number - 1) * as_u64(self.page_bytes), &mut page)?,
        };
        Ok(page)
    }

    /// A row's bytes, those on overflow pages with them; `None` when they do not hang together.
    fn payload(&self, length: usize, local: &[u8], overflow: u32) -> io::Result<Option<Vec<u8>>> {
        let mut payload = local.to_vec();
        let mut next = overflow;
        while payload.len() < length {
            if next == 0 || next > self.pages {
                return Ok(None);
            }
            let page = self.page(next)?;
            next = u32_at(&page, 0).unwrap_or(0);
            let wanted = (length - payload.len()).min(self.page_bytes - 4);
            payload.extend(&page[4..4 + wanted]);
        }
        Ok(Some(payload))
    }

    fn count_pages(&mut self) -> io::Result<()> {
        let in_file = self.file.metadata()?.len().div_ceil(as_u64(self.page_bytes));
        let in_file = u32::try_from(in_file).unwrap_or(u32::MAX - 1);
        self.pages = self.in_log.keys().next_back().copied().unwrap_or(0).max(in_file);
        Ok(())
    }

    fn told_by_header(&self) -> io::Result<Option<usize>> {
        let mut header = [0; HEADER_BYTES];
        read_at(&self.file, 0, &mut header)?;
        let told = match u16_at(&header, 16) {
            Some(1) => 65_536,
            told => told.map_or(0, usize::from),
        };
        let sound = header.starts_with(MAGIC) && told.is_power_of_two() && told >= 512;
        Ok(sound.then_some(told))
    }

    /// The page size with which the most rows are found: what the header tells may be damage.
    fn most_fitting(&mut self) -> io::Result<usize> {
        let told = self.told_by_header()?;
        let mut best = (0, told.unwrap_or(PAGE_BYTES_TRIED[0]));
        for page_bytes in told.into_iter().chain(PAGE_BYTES_TRIED) {
            self.page_bytes = page_bytes;
            self.count_pages()?;
            let mut rows = 0;
            for number in 1..=self.pages.min(PAGES_TRIED) {
                let page = self.page(number)?;
                let cells = cells(&page, number, page_bytes);
                rows += cells.iter().filter(|cell| matches!(cell, Cell::Row { .. })).count();
            }
            best = best.max((rows, page_bytes));
        }
        Ok(best.1)
    }

    /// The pages on the list of free ones, as far as it can be followed.
    fn free_pages(&self) -> io::Result<BTreeSet<u32>> {
        let (mut free, first) = (BTreeSet::new(), self.page(1)?);
        let mut trunk = if first.starts_with(MAGIC) { u32_at(&first, 32).unwrap_or(0) } else { 0 };
        while trunk > 1 && trunk <= self.pages && free.insert(trunk) {
            let page = self.page(trunk)?;
            let leaves = u32_at(&page, 4).and_then(|leaves| usize::try_from(leaves).ok()).unwrap_or(0);
            if leaves > self.page_bytes / 4 - 2 {
                break;
            }
            free.extend((0..leaves).filter_map(|leaf| u32_at(&page, 8 + 4 * leaf)));
            trunk = u32_at(&page, 0).unwrap_or(0);
        }
        free.remove(&1);
        Ok(free)
    }

    /// Finds the pages of the log's whole transactions, and tells their size.
    fn read_log(&mut self) -> io::Result<Option<usize>> {
        let Some(log) = &self.log else { return Ok(None) };
        let mut header = [0; 32];
        read_at(log, 0, &mut header)?;
        let big_endian = match u32_at(&header, 0) {
            Some(0x377f_0682) => false,
            Some(0x377f_0683) => true,
            _ => return Ok(None),
        };
        let page_bytes = u32_at(&header, 8).and_then(|bytes| usize::try_from(bytes).ok()).unwrap_or(0);
        let mut sum = checksum((0, 0), &header[..24], big_endian);
        let sound = u32_at(&header, 24).zip(u32_at(&header, 28)) == Some(sum);
        if !sound || !page_bytes.is_power_of_two() || !(512..=65_536).contains(&page_bytes) {
            return Ok(None);
        }
        let mut frame = vec![0; 24 + page_bytes];
        let (mut at, mut pending) = (32, BTreeMap::new());
        while read_at(log, at, &mut frame)? == frame.len() {
            sum = checksum(sum, &frame[..8], big_endian);
            sum = checksum(sum, &frame[24..], big_endian);
            if frame[8..16] != header[16..24] || u32_at(&frame, 16).zip(u32_at(&frame, 20)) != Some(sum) {
                break;
            }
            pending.insert(u32_at(&frame, 0).unwrap_or(0), at + 24);
            if u32_at(&frame, 4) != Some(0) {
                self.in_log.append(&mut pending);
            }
            at += as_u64(frame.len());
        }
        self.in_log.remove(&0);
        Ok((!self.in_log.is_empty()).then_some(page_bytes))
    }
}

/// What lies in one place of a page.
enum Cell<'a> {
    /// A row: its number, how many bytes it has, those on this page, and the page on which it goes on.
    Row { number: Option<i64>, payload: usize, local: &'a [u8], overflow: u32 },
    /// Nothing, and that is as it should be.
    None,
    /// Something that is no row.
    Garbled,
}

/// The rows that begin on a page.
fn cells(page: &[u8], number: u32, page_bytes: usize) -> Vec<Cell<'_>> {
    let start = if number == 1 { HEADER_BYTES } else { 0 };
    let (is_table, before) = match page.get(start) {
        Some(0x0d) => (true, 0),
        Some(0x0a) => (false, 0),
        Some(0x02) => (false, 4), // within an index: rows, each after the page that stands before it
        Some(0x05) => return vec![Cell::None],
        // A page on which a row goes on begins with the number of the next one. Of nothing but zeros, it is
        // one that was wiped out.
        Some(0x00) if page.iter().any(|byte| *byte != 0) => return vec![Cell::None],
        _ => return vec![Cell::Garbled],
    };
    let rows = u16_at(page, start + 3).map_or(0, usize::from);
    let pointers = start + 8 + if before > 0 { 4 } else { 0 };
    if pointers + 2 * rows > page_bytes {
        return vec![Cell::Garbled];
    }
    let cell = |row: usize| {
        let at = usize::from(u16_at(page, pointers + 2 * row)?);
        let (payload, at) = varint(page, at + before)?;
        let (number, at) = if is_table {
            let (number, at) = varint(page, at)?;
            (Some(number), at)
        } else {
            (None, at)
        };
        let payload = usize::try_from(payload).ok().filter(|bytes| *bytes <= ROW_BYTES_MAX)?;
        let local = local_bytes(payload, page_bytes, is_table);
        let overflow = if local < payload { u32_at(page, at + local)? } else { 0 };
        Some(Cell::Row { number, payload, local: page.get(at..at + local)?, overflow })
    };
    (0..rows).map(|row| cell(row).unwrap_or(Cell::Garbled)).collect()
}

/// How many bytes of a row lie on its page.
fn local_bytes(payload: usize, page_bytes: usize, is_table: bool) -> usize {
    let most = if is_table { page_bytes - 35 } else { (page_bytes - 12) * 64 / 255 - 23 };
    if payload <= most {
        return payload;
    }
    let least = (page_bytes - 12) * 32 / 255 - 23;
    let fitting = least + (payload - least) % (page_bytes - 4);
    if fitting <= most { fitting } else { least }
}

/// The columns of a row; `None` when it has not the form of one.
fn columns(payload: &[u8]) -> Option<Vec<Stored>> {
    let (header_bytes, mut at) = varint(payload, 0)?;
    let header_bytes = usize::try_from(header_bytes).ok().filter(|bytes| *bytes <= payload.len())?;
    let mut value_at = header_bytes;
    let mut columns = Vec::new();
    while at < header_bytes {
        let (kind, next) = varint(payload, at)?;
        at = next;
        let (column, next) = column(payload, kind, value_at)?;
        value_at = next;
        columns.push(column);
    }
    (at == header_bytes && value_at == payload.len()).then_some(columns)
}

fn column(payload: &[u8], kind: i64, at: usize) -> Option<(Stored, usize)> {
    let bytes = |length: usize| payload.get(at..at.checked_add(length)?);
    let whole = |length: usize| {
        let bytes = bytes(length)?;
        let sign = if bytes.first()? & 0x80 == 0 { 0 } else { -1 };
        Some(bytes.iter().fold(sign, |number: i64, byte| number << 8 | i64::from(*byte)))
    };
    let (value, length) = match kind {
        0 => (Stored::Null, 0),
        1..=4 => (Stored::Int(whole(usize::try_from(kind).ok()?)?), usize::try_from(kind).ok()?),
        5 => (Stored::Int(whole(6)?), 6),
        6 => (Stored::Int(whole(8)?), 8),
        7 => (Stored::Real(f64::from_be_bytes(bytes(8)?.try_into().ok()?)), 8),
        8 | 9 => (Stored::Int(kind - 8), 0),
        12.. => {
            let length = usize::try_from((kind - 12) / 2).ok()?;
            let bytes = bytes(length)?;
            let is_text = kind % 2 == 1;
            let text = || String::from_utf8(bytes.to_vec()).ok().map(Stored::Text);
            (if is_text { text()? } else { Stored::Blob(bytes.to_vec()) }, length)
        }
        _ => return None,
    };
    Some((value, at + length))
}

/// A number of one to nine bytes, and where the next thing stands.
fn varint(bytes: &[u8], at: usize) -> Option<(i64, usize)> {
    let mut number = 0_u64;
    for nth in 0..9 {
        let byte = *bytes.get(at + nth)?;
        if nth == 8 {
            return Some(((number << 8 | u64::from(byte)).cast_signed(), at + 9));
        }
        number = number << 7 | u64::from(byte & 0x7f);
        if byte & 0x80 == 0 {
            return Some((number.cast_signed(), at + nth + 1));
        }
    }
    None
}

/// The log's checksum, carried on over more bytes, a multiple of eight.
fn checksum((mut one, mut two): (u32, u32), bytes: &[u8], big_endian: bool) -> (u32, u32) {
    let word = |bytes: &[u8]| {
        let bytes = <[u8; 4]>::try_from(bytes).unwrap_or_default();
        if big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) }
    };
    for pair in bytes.chunks_exact(8) {
        one = one.wrapping_add(word(&pair[..4])).wrapping_add(two);
        two = two.wrapping_add(word(&pair[4..])).wrapping_add(one);
    }
    (one, two)
}

fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes(bytes.get(at..at + 2)?.try_into().ok()?))
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
}

/// Reads as much as there is, and says how much that was. What cannot be read is as if it were zeros.
fn read_at(file: &File, at: u64, bytes: &mut [u8]) -> io::Result<usize> {
    let mut read = 0;
    while read < bytes.len() {
        match file.read_at(&mut bytes[read..], at + as_u64(read)) {
            Ok(0) => break,
            Ok(more) => read += more,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            // A bad spot on the disk is damage like any other.
            Err(error) if error.raw_os_error() == Some(rustix::io::Errno::IO.raw_os_error()) => break,
            Err(error) => return Err(error),
        }
    }
    Ok(read)
}

fn as_u64(length: usize) -> u64 {
    u64::try_from(length).unwrap_or(u64::MAX)
}

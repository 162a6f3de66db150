//! An archive with a manifest of hashes: a tar file (POSIX.1-1988 ustar, which every system unpacks)
//! whose last member is the list that `sha256sum -c` takes.
//!
//! Members are written as they come: sizes are filled in afterwards, and nothing is held in memory.

use std::fmt::Write as _;
use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::cli::CliError;
use crate::history::chain::hex;
use crate::moment::Wall;

const BLOCK_BYTES: usize = 512;
const BLOCK: u64 = 512;
/// What eleven octal digits can say.
const MEMBER_BYTES_MAX: u64 = 0o777_7777_7777;
/// The longest path of a member that needs no splitting.
const NAME_BYTES_MAX: usize = 100;

const MANIFEST: &str = "MANIFEST.sha256";

/// An archive that is being written.
pub struct Archive {
    file: BufWriter<File>,
    folder: String,
    made_s: u64,
    manifest: String,
}

/// What was written.
#[derive(Debug)]
pub struct Finished {
    /// The archive's size.
    pub bytes: u64,
    /// SHA-256 of the manifest: it stands for the whole packet.
    pub manifest_sha256: String,
}

impl Archive {
    /// Writes the archive `path`, whose members lie in `folder`. It has its name only when it is whole
    /// and on the disk; a file of that name is never written over.
    pub fn create(
        path: &Path,
        folder: &str,
        made: Wall,
        fill: impl FnOnce(&mut Archive) -> Result<(), CliError>,
    ) -> Result<Finished, CliError> {
        let cannot = |error: &dyn std::fmt::Display| {
            CliError::Unreachable(format!("{}: cannot be written: {error}", path.display()))
        };
        if path.symlink_metadata().is_ok() {
            return Err(CliError::BadInput(format!(
                "{}: exists already; name another file with --output",
                path.display()
            )));
        }
        let part = Part(PathBuf::from(format!("{}.part", path.display())));
        let file = File::create_new(&part.0).map_err(|error| cannot(&error))?;
        let mut archive = Archive {
            file: BufWriter::new(file),
            folder: folder.to_owned(),
            made_s: u64::try_from(made.as_second()).unwrap_or(0),
            manifest: String::new(),
        };
        let finished = fill(&mut archive).and_then(|()| archive.finish()).map_err(|error| match error {
            CliError::Output(error) => cannot(&error),
            error @ (CliError::BadInput(_) | CliError::Unreachable(_)) => error,
        })?;
        std::fs::rename(&part.0, path).map_err(|error| cannot(&error))?;
        Ok(finished)
    }

    /// Adds what `write` writes under this name.
    pub fn member(
        &mut self,
        name: &str,
        write: impl FnOnce(&mut dyn Write) -> Result<(), CliError>,
    ) -> Result<(), CliError> {
        let hash = self.add(name, write)?;
        let _ = writeln!(self.manifest, "{hash}  {name}"); // writing to a string does not fail
        Ok(())
    }

    fn add(
        &mut self,
        name: &str,
        write: impl FnOnce(&mut dyn Write) -> Result<(), CliError>,
    ) -> Result<String, CliError> {
        let start = self.file.stream_position()?;
        self.file.write_all(&[0; BLOCK_BYTES])?;
        let mut member = Member { file: &mut self.file, hash: Sha256::new(), bytes: 0 };
        write(&mut member)?;
        let Member { hash, bytes, .. } = member;
        let padding = bytes.next_multiple_of(BLOCK) - bytes;
        io::copy(&mut io::Read::take(io::repeat(0), padding), &mut self.file)?;
        let end = self.file.stream_position()?;
        let path = format!("{}/{name}", self.folder);
        let header = header(&path, bytes, self.made_s)?;
        self.file.seek(SeekFrom::Start(start))?;
        self.file.write_all(&header)?;
        self.file.seek(SeekFrom::Start(end))?;
        Ok(hex(&hash.finalize()))
    }

    fn finish(&mut self) -> Result<Finished, CliError> {
        let manifest = std::mem::take(&mut self.manifest);
        let manifest_sha256 = self.add(MANIFEST, |out| Ok(out.write_all(manifest.as_bytes())?))?;
        self.file.write_all(&[0; 2 * BLOCK_BYTES])?;
        self.file.flush()?;
        self.file.get_ref().sync_all()?;
        let bytes = self.file.stream_position()?;
        Ok(Finished { bytes, manifest_sha256 })
    }
}

/// The file as long as it is not whole; it is gone afterwards in any case.
struct Part(PathBuf);

impl Drop for Part {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

struct Member<'a> {
    file: &'a mut BufWriter<File>,
    hash: Sha256,
    bytes: u64,
}

impl Write for Member<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.hash.update(&bytes[..written]);
        self.bytes += u64::try_from(written).unwrap_or(0);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(()) // the archive is flushed as a whole
    }
}

/// A ustar header (POSIX.1-1988, section 10.1.1): numbers in octal, ended by a zero; the checksum is
/// the sum of all bytes, its own taken for spaces.
fn header(path: &str, bytes: u64, made_s: u64) -> io::Result<[u8; BLOCK_BYTES]> {
    if path.len() > NAME_BYTES_MAX || bytes > MEMBER_BYTES_MAX {
        return Err(io::Error::other(format!(
            "{path}: {bytes} bytes are more than an archive's member may have"
        )));
    }
    let mut header = [0; BLOCK_BYTES];
    let mut put = |at: usize, text: &str| header[at..at + text.len()].copy_from_slice(text.as_bytes());
    put(0, path);
    put(100, "0000644\0");
    put(108, "0000000\0");
    put(116, "0000000\0");
    put(124, &format!("{bytes:011o}\0"));
    put(136, &format!("{:011o}\0", made_s.min(MEMBER_BYTES_MAX)));
    put(148, "        ");
    put(156, "0");
    put(257, "ustar\x0000");
    let sum: u32 = header.iter().map(|byte| u32::from(*byte)).sum();
    header[148..156].copy_from_slice(format!("{sum:06o}\0 ").as_bytes());
    Ok(header)
}

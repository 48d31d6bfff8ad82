//! Captures: `NAME.bin` holds the raw bytes of a port, `NAME.times.csv` beside it says when they came.
//!
//! The times file has the header `byte_offset,time_s` and one row per read: the offset of the
//! read's **first** byte in the `.bin`, and the Unix time (UTC, seconds) right after the read. The
//! last read ends where the bytes end. Rows go up in offset and never down in time. A row at or
//! beyond the end of the bytes (a recorder that was killed between its two writes) is ignored.
//!
//! Both files are read as a stream, so a capture may be longer than memory.

use std::fs::File;
use std::io::{self, BufRead, BufReader, BufWriter, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use hereabout_core::{CaptureFault, TimesProblem, Timestamp, odd_kind};

use crate::MAX_CHUNK;
use crate::plain::open_plain;

const HEADER: &str = "byte_offset,time_s";
/// Longer than any row can sensibly be; bounds memory on a file that is no table.
const MAX_LINE: u64 = 200;

/// What was refused with the file at `path`.
fn refused(path: &Path, error: &io::Error) -> CaptureFault {
    CaptureFault::Io { path: path.into(), fault: error.into() }
}

/// One row of a times file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CaptureTime {
    /// Offset of the read's first byte.
    pub byte_offset: u64,
    /// When it had been read.
    pub at: Timestamp,
}

/// The rows of a times file, one after the other.
pub struct CaptureTimes<R> {
    path: PathBuf,
    lines: R,
    line: u64,
    last: Option<CaptureTime>,
}

impl<R: BufRead> CaptureTimes<R> {
    /// Checks the header. `path` is only for messages.
    ///
    /// # Errors
    /// A wrong header or an unreadable file.
    pub fn new(path: &Path, lines: R) -> Result<CaptureTimes<R>, CaptureFault> {
        let mut times = CaptureTimes { path: path.into(), lines, line: 0, last: None };
        match times.read_line()? {
            Some(header) if header.trim_start_matches('\u{feff}') == HEADER => Ok(times),
            found => {
                let found = found.unwrap_or_default();
                Err(times.problem(TimesProblem::Header { expected: HEADER, found }))
            }
        }
    }

    /// The next row; `None` at the end.
    ///
    /// # Errors
    /// A row that is not two numbers, or goes backward; with its line.
    pub fn next_time(&mut self) -> Result<Option<CaptureTime>, CaptureFault> {
        let Some(text) = self.read_line()? else { return Ok(None) };
        let Some(time) = parse_row(&text) else {
            return Err(self.problem(TimesProblem::NotARow { found: text }));
        };
        if self.last.is_some_and(|last| time.byte_offset <= last.byte_offset) {
            return Err(self.problem(TimesProblem::OffsetNotUp));
        }
        if self.last.is_some_and(|last| time.at < last.at) {
            return Err(self.problem(TimesProblem::TimeBackward));
        }
        self.last = Some(time);
        Ok(Some(time))
    }

    /// The next line that is not empty, without its end.
    fn read_line(&mut self) -> Result<Option<String>, CaptureFault> {
        loop {
            let mut raw = Vec::new();
            self.line += 1;
            let read = self.lines.by_ref().take(MAX_LINE).read_until(b'\n', &mut raw);
            if read.map_err(|e| refused(&self.path, &e))? == 0 {
                return Ok(None);
            }
            let text = String::from_utf8_lossy(&raw);
            let text = text.trim();
            if !text.is_empty() {
                return Ok(Some(text.to_owned()));
            }
        }
    }

    fn problem(&self, problem: TimesProblem) -> CaptureFault {
        CaptureFault::Times { path: self.path.clone(), line: self.line, problem }
    }
}

fn parse_row(text: &str) -> Option<CaptureTime> {
    let (offset, time) = text.split_once(',')?;
    let at = Timestamp::from_unix_secs_f64(time.trim().parse().ok()?)?;
    Some(CaptureTime { byte_offset: offset.trim().parse().ok()?, at })
}

/// One read of a capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CaptureStep {
    /// When it was read; `None` without a times file.
    pub at: Option<Timestamp>,
    /// Its bytes, at most [`MAX_CHUNK`]; a longer read comes in pieces with one stamp.
    pub bytes: Vec<u8>,
}

/// Reads a capture as the reads that made it.
pub struct CaptureReader {
    path: PathBuf,
    bytes: BufReader<File>,
    position: u64,
    times: Option<CaptureTimes<BufReader<File>>>,
    /// The row of the read that is under way, and the one after it.
    current: Option<CaptureTime>,
    next: Option<CaptureTime>,
}

impl CaptureReader {
    /// Where the times of a capture are: `NAME.times.csv` beside `NAME.bin`.
    pub fn times_path(bin: &Path) -> PathBuf {
        bin.with_extension("times.csv")
    }

    /// Opens the bytes, and the times when they are there.
    ///
    /// # Errors
    /// A missing or unreadable file, a wrong header, a first row that is not at offset 0.
    pub fn open(bin: &Path) -> Result<CaptureReader, CaptureFault> {
        if let Some(kind) = odd_kind(&std::fs::metadata(bin).map_err(|e| refused(bin, &e))?) {
            return Err(CaptureFault::NotAFile { path: bin.into(), kind });
        }
        let file = open_plain(bin).map_err(|e| refused(bin, &e))?;
        let times_path = CaptureReader::times_path(bin);
        let mut times = match open_plain(&times_path) {
            Ok(file) => Some(CaptureTimes::new(&times_path, BufReader::new(file))?),
            Err(e) if e.kind() == io::ErrorKind::NotFound => None,
            Err(e) => return Err(refused(&times_path, &e)),
        };
        let mut rows = [None, None];
        if let Some(times) = &mut times {
            rows[0] = times.next_time()?;
            if rows[0].is_some_and(|row| row.byte_offset != 0) {
                return Err(times.problem(TimesProblem::FirstNotZero));
            }
            rows[1] = times.next_time()?;
        }
        let [current, next] = rows;
        Ok(CaptureReader { path: bin.into(), bytes: BufReader::new(file), position: 0, times, current, next })
    }

    /// The `.bin` file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether there is a times file.
    pub fn has_times(&self) -> bool {
        self.times.is_some()
    }

    /// The next read; `None` at the end.
    ///
    /// # Errors
    /// An unreadable file or a wrong row of the times file.
    pub fn next_step(&mut self) -> Result<Option<CaptureStep>, CaptureFault> {
        while let (Some(times), Some(next)) = (&mut self.times, self.next) {
            if next.byte_offset > self.position {
                break;
            }
            self.current = Some(next);
            self.next = times.next_time()?;
        }
        let left = self.next.map_or(u64::MAX, |next| next.byte_offset - self.position);
        let limit = left.min(MAX_CHUNK as u64);
        let mut bytes = Vec::with_capacity(MAX_CHUNK.min(limit as usize));
        let read = self.bytes.by_ref().take(limit).read_to_end(&mut bytes);
        read.map_err(|e| refused(&self.path, &e))?;
        self.position += bytes.len() as u64;
        Ok((!bytes.is_empty()).then(|| CaptureStep { at: self.current.map(|row| row.at), bytes }))
    }
}

/// Writes a capture.
pub struct CaptureWriter<W: Write = File> {
    bin_path: PathBuf,
    bin: BufWriter<W>,
    times: BufWriter<W>,
    position: u64,
}

impl CaptureWriter {
    /// Creates `NAME.bin` and `NAME.times.csv`, which must not be there, for their owner and group alone.
    ///
    /// # Errors
    /// A file that is there or can't be created.
    pub fn create(bin: &Path) -> Result<CaptureWriter, CaptureFault> {
        let create = |path: &Path| {
            let mut options = File::options();
            options.write(true).create_new(true).mode(0o640);
            options.open(path).map_err(|e| refused(path, &e))
        };
        let times = create(&CaptureReader::times_path(bin))?;
        CaptureWriter::new(bin, create(bin)?, times)
    }
}

impl<W: Write> CaptureWriter<W> {
    /// Writes into files that are made already; `bin_path` is for messages.
    ///
    /// # Errors
    /// A failed write.
    pub fn new(bin_path: &Path, bin: W, times: W) -> Result<CaptureWriter<W>, CaptureFault> {
        let (bin, times) = (BufWriter::new(bin), BufWriter::new(times));
        let mut writer = CaptureWriter { bin_path: bin_path.into(), bin, times, position: 0 };
        let header = writeln!(writer.times, "{HEADER}");
        writer.checked(header)?;
        Ok(writer)
    }

    /// Writes the rest and gives the files back: the bytes, the times.
    ///
    /// # Errors
    /// A failed write.
    pub fn into_files(mut self) -> Result<(W, W), CaptureFault> {
        self.flush()?;
        let bin = self.bin.into_inner().map_err(|e| refused(&self.bin_path, &e.into_error()))?;
        Ok((bin, self.times.into_inner().map_err(|e| refused(&self.bin_path, &e.into_error()))?))
    }

    /// Appends one read. An empty one is no read and is left out.
    ///
    /// # Errors
    /// A failed write (a full disk, as a rule).
    pub fn write(&mut self, at: Timestamp, bytes: &[u8]) -> Result<(), CaptureFault> {
        if bytes.is_empty() {
            return Ok(());
        }
        let written = self.bin.write_all(bytes).and_then(|()| writeln!(self.times, "{},{at}", self.position));
        self.position += bytes.len() as u64;
        self.checked(written)
    }

    /// Hands everything to the system; call it now and then in a long capture.
    ///
    /// # Errors
    /// A failed write.
    pub fn flush(&mut self) -> Result<(), CaptureFault> {
        let flushed = self.bin.flush().and_then(|()| self.times.flush());
        self.checked(flushed)
    }

    /// Bytes so far.
    pub fn bytes_written(&self) -> u64 {
        self.position
    }

    fn checked(&self, result: io::Result<()>) -> Result<(), CaptureFault> {
        result.map_err(|e| refused(&self.bin_path, &e))
    }
}

#[cfg(test)]
mod tests;

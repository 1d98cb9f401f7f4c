//! Bytes cut anywhere into lines. Line ends are LF or CR LF (RFC 4180 names CR LF; plain LF is common practice, no
//! source). Memory is bounded by the longest line.

/// Longest line of CSV in bytes without its end. A sample takes about 50.
pub(super) const LINE_CAP: usize = 512;
/// Longest `SenML` pack in bytes without its end: some 500 samples of three axes.
pub(super) const PACK_CAP: usize = 65_536;

/// The splitter.
#[derive(Debug, Default)]
pub(super) struct Lines {
    /// Start of a line whose end has not come yet.
    part: Vec<u8>,
    /// The rest of an over-long line is being skipped.
    skipping: bool,
    number: u64,
}

/// A line's bytes without its end, or the start of one that is over-long and the length it may have.
pub(super) type Content<'a> = Result<&'a [u8], (&'a [u8], usize)>;

impl Lines {
    /// Takes bytes in and gives each line that ends in them, with its number from 1.
    pub(super) fn take(&mut self, bytes: &[u8], mut line: impl FnMut(u64, Content<'_>)) {
        let mut rest = bytes;
        while !rest.is_empty() {
            let end = memchr::memchr(b'\n', rest);
            // A whole line that nothing of came before needs no copy.
            if let (Some(at), true, false) = (end, self.part.is_empty(), self.skipping)
                && at <= LINE_CAP
            {
                self.number += 1;
                line(self.number, content(&rest[..at], self.number));
                rest = &rest[at + 1..];
                continue;
            }
            self.keep(&rest[..end.unwrap_or(rest.len())], &mut line);
            let Some(end) = end else { return };
            rest = &rest[end + 1..];
            if !std::mem::take(&mut self.skipping) {
                self.number += 1;
                line(self.number, content(&self.part, self.number));
                self.part.clear();
            }
        }
    }

    /// Keeps bytes of the line at hand; it is told as soon as it is over-long, and its rest skipped.
    fn keep(&mut self, bytes: &[u8], line: &mut impl FnMut(u64, Content<'_>)) {
        if self.skipping {
            return;
        }
        // One byte more for a CR, one to show that it is too long.
        let room = (PACK_CAP + 2).saturating_sub(self.part.len());
        self.part.extend_from_slice(&bytes[..bytes.len().min(room)]);
        let cap = cap(&self.part);
        if self.part.len() > cap + 1 {
            self.number += 1;
            line(self.number, Err((&self.part, cap)));
            self.part = Vec::new();
            self.skipping = true;
        }
    }
}

/// The length a line that starts so may have.
fn cap(line: &[u8]) -> usize {
    if line.trim_ascii_start().starts_with(b"[") { PACK_CAP } else { LINE_CAP }
}

fn content(part: &[u8], number: u64) -> Content<'_> {
    let bytes = part.strip_suffix(b"\r").unwrap_or(part);
    let bytes = if number == 1 { bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes) } else { bytes };
    let cap = cap(bytes);
    if bytes.len() > cap { Err((bytes, cap)) } else { Ok(bytes) }
}

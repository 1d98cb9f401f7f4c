//! Whole numbers in as few bytes as they need: seven bits a byte, low ones first, the top bit says "more follows"
//! (LEB128, as in DWARF 5, section 7.6).

/// Appends `value`.
pub(super) fn put(out: &mut Vec<u8>, mut value: u64) {
    loop {
        let [low, ..] = value.to_le_bytes();
        value >>= 7;
        if value == 0 {
            out.push(low & 0x7f);
            return;
        }
        out.push(low | 0x80);
    }
}

/// Takes a number off the front. None: cut off, or more than 64 bits.
pub(super) fn take(bytes: &mut &[u8]) -> Option<u64> {
    let mut value = 0_u64;
    for shift in (0..64).step_by(7) {
        let (&byte, rest) = bytes.split_first()?;
        *bytes = rest;
        let part = u64::from(byte & 0x7f);
        if shift == 63 && part > 1 {
            return None;
        }
        value |= part << shift;
        if byte < 0x80 {
            return Some(value);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_the_published_examples() {
        // DWARF 5, figure 22 "Examples of unsigned LEB128 encodings".
        for (value, bytes) in
            [(2, &[2][..]), (127, &[0x7f]), (128, &[0x80, 1]), (129, &[0x81, 1]), (12_857, &[0xb9, 0x64])]
        {
            let mut out = Vec::new();
            put(&mut out, value);
            assert_eq!(out, bytes);
            assert_eq!(take(&mut &out[..]), Some(value));
        }
    }

    #[test]
    fn the_largest_fits_and_more_does_not() {
        let mut out = Vec::new();
        put(&mut out, u64::MAX);
        assert_eq!(take(&mut &out[..]), Some(u64::MAX));
        *out.last_mut().unwrap() = 2;
        assert_eq!(take(&mut &out[..]), None);
        assert_eq!(take(&mut &[0x80_u8][..]), None);
    }
}

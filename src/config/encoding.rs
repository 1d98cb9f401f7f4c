//! From the bytes of a file to its text, or the place of the first byte that is none.
use super::complaint::{Complaint, Complaints, place};
use crate::cause::bench_file as cause;

/// The marks that two-byte encodings begin with (Unicode Standard, section 23.8).
const TWO_BYTE_MARKS: [&[u8]; 2] = [&[0xff, 0xfe], &[0xfe, 0xff]];

/// What a packed archive begins with, and so most spreadsheets' own files (from memory).
const PACKED: &[u8] = b"PK\x03\x04";

/// The text of a file that a person wrote. `file_name` serves messages only.
///
/// # Errors
/// The first place that is no UTF-8; of a file that is no text at all, only that.
pub fn text(file_name: &str, bytes: Vec<u8>) -> Result<String, Complaints> {
    let two_bytes = TWO_BYTE_MARKS.iter().any(|mark| bytes.starts_with(mark));
    if !two_bytes && (bytes.starts_with(PACKED) || bytes.contains(&0)) {
        return Err(no_text(file_name));
    }
    let error = match String::from_utf8(bytes) {
        Ok(text) => return Ok(text),
        Err(error) => error,
    };
    let (good, bytes) = (error.utf8_error().valid_up_to(), error.into_bytes());
    // What cannot be shown is shown as the mark for it; the file's first line suffices where nothing can.
    let shown = if two_bytes { "\u{fffd}".to_owned() } else { String::from_utf8_lossy(&bytes).into_owned() };
    let span = good..good + '\u{fffd}'.len_utf8();
    let (line, column) = place(&shown, span.start);
    let byte = bytes.get(good).copied().unwrap_or_default();
    let complaint = Complaint {
        cause: &cause::NOT_UTF8,
        key: String::new(),
        line,
        column,
        span,
        expected: "text in UTF-8".to_owned(),
        came: if two_bytes { "text in UTF-16".to_owned() } else { format!("the byte 0x{byte:02X}") },
        hint: hint(two_bytes, byte),
        also: Vec::new(),
    };
    Err(Complaints::new(file_name, &shown, vec![complaint]))
}

fn no_text(file_name: &str) -> Complaints {
    let complaint = Complaint {
        cause: &cause::NO_TEXT,
        key: String::new(),
        line: 1,
        column: 1,
        span: 0..'\u{fffd}'.len_utf8(),
        expected: "text in UTF-8".to_owned(),
        came: String::new(),
        hint: "this is a spreadsheet or other binary file: save a list of CVs as CSV, and a bench file as plain text"
            .to_owned(),
        also: Vec::new(),
    };
    Complaints::new(file_name, "\u{fffd}", vec![complaint])
}

fn hint(two_bytes: bool, byte: u8) -> String {
    let save = "open the file in an editor and save it again with the encoding UTF-8";
    match byte {
        _ if two_bytes => {
            format!("{save}; in some editors it is called plain UTF-8, and UTF-16 is called Unicode")
        }
        // In ISO/IEC 8859-1 these bytes are the letters of the same number in Unicode.
        0xc0..=0xff => format!("{save}; this letter was perhaps meant as {}", char::from(byte)),
        _ => save.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_letter_of_an_older_encoding_is_named_with_its_place() {
        let wrong =
            text("bench.toml", b"schema = 1\n[bench]\nname = \"Caf\xe9 bench\"\n".to_vec()).unwrap_err();
        let [one] = wrong.list() else { panic!("one complaint") };
        assert_eq!((one.line, one.column, one.cause.code), (3, 12, "file-not-utf8"));
        assert!(one.hint.contains('\u{e9}') && one.came.contains("0xE9"), "{one:?}");
        assert!(!wrong.render(100, false).is_empty());
    }

    #[test]
    fn a_file_that_is_no_text_is_complained_of_once() {
        for bytes in [&b"PK\x03\x04\x14"[..], b"cv,value\n3,\x00\n4,\x00\n", b"\xd0\xcf\x11\xe0\x00"] {
            let wrong = text("cvs.ods", bytes.to_vec()).unwrap_err();
            let [one] = wrong.list() else { panic!("one complaint") };
            assert_eq!(one.cause.code, "file-not-text", "{bytes:?}");
            assert!(one.hint.contains("as CSV"), "{one:?}");
            assert!(!wrong.render(100, false).contains('\0'));
        }
    }

    #[test]
    fn bytes_of_any_kind_are_answered() {
        for bytes in
            [&b"\xff\xfes\0c\0"[..], b"\xfe\xff\0s", b"\x80", b"good\n\xf0\x9f\x9a", b"\x89PNG\r\n\x1a\n"]
        {
            let wrong = text("x", bytes.to_vec()).unwrap_err();
            assert!(!wrong.render(100, false).is_empty() && wrong.plain().len() == 1, "{bytes:?}");
        }
        assert_eq!(text("x", "Café".as_bytes().to_vec()).unwrap(), "Café");
    }
}

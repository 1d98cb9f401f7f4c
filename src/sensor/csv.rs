//! CSV lines: a header that names the columns, then a line a sample.

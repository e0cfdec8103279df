//! CSV tables as spreadsheets write them.

/// A reader of `text`, a mark of byte order at its head left out. Spreadsheets of many countries write semicolons: they separate where the header has some and no comma.
pub fn reader(text: &str) -> csv::Reader<&[u8]> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let header = text.lines().next().unwrap_or("");
    let delimiter = if header.contains(';') && !header.contains(',') {
        b';'
    } else {
        b','
    };
    csv::ReaderBuilder::new().delimiter(delimiter).from_reader(text.as_bytes())
}

#[cfg(test)]
mod tests {
    #[test]
    fn semicolons_and_byte_order_marks() {
        let mut reader = super::reader("\u{feff}recording;label\na.mp4;55\n");
        assert_eq!(reader.headers().unwrap(), vec!["recording", "label"]);
        assert_eq!(reader.records().next().unwrap().unwrap(), vec!["a.mp4", "55"]);
    }
}

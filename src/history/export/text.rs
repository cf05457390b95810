//! Tables as text: CSV (RFC 4180) and JSON lines (one JSON object of RFC 8259 in each line).

use super::{COLUMNS, Cell, Rows, cells};

/// The head line of CSV.
pub fn csv_head() -> String {
    format!("{}\r\n", COLUMNS.join(","))
}

/// Readings as CSV, without the head: fields with a comma, a quote or a line end in quotes, quotes doubled, lines ended by CR LF (RFC 4180 section 2). A
/// figure without a bound has an empty field.
///
/// A text that a spreadsheet would take for a formula gets an apostrophe before it: circuits and tiers are typed by people.
pub fn csv(rows: &Rows) -> String {
    let mut out = String::new();
    for kept in &rows.readings {
        let fields = cells(&rows.visit, kept).map(|cell| match cell {
            Cell::Text(text) if text.starts_with(['=', '+', '-', '@', '\t', '\r']) => quoted(&format!("'{text}")),
            Cell::Text(text) => quoted(&text),
            Cell::Number(number) => number.map(|number| number.to_string()).unwrap_or_default(),
            Cell::Count(count) => count.to_string(),
        });
        out.push_str(&fields.join(","));
        out.push_str("\r\n");
    }
    out
}

fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\r', '\n']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
}

/// Readings as JSON lines; what is empty in CSV is null.
pub fn json_lines(rows: &Rows) -> String {
    let mut out = String::new();
    for kept in &rows.readings {
        let value = |cell: Cell| match cell {
            Cell::Text(text) if text.is_empty() => serde_json::Value::Null,
            Cell::Text(text) => text.into(),
            Cell::Number(number) => number.into(),
            Cell::Count(count) => count.into(),
        };
        let object: serde_json::Map<String, serde_json::Value> =
            COLUMNS.into_iter().map(str::to_owned).zip(cells(&rows.visit, kept).map(value)).collect();
        out.push_str(&serde_json::Value::Object(object).to_string());
        out.push('\n');
    }
    out
}

//! Parts of header values: comma lists, parameters, quoted strings (RFC 3261 section 7.3.1 and 25.1).
//!
//! Commas and semicolons inside quotes or angle brackets belong to the text there. Nothing here fails: what is odd is taken as it stands.

/// One parameter: name in small letters, and its value without quotes.
pub type Parameter = (String, Option<String>);

/// Splits at a separator outside of quotes and angle brackets; parts are trimmed, empty ones left out.
pub fn split(text: &str, separator: char) -> Vec<&str> {
    let (mut parts, mut begin, mut is_quoted, mut is_escaped, mut is_bracketed) = (Vec::new(), 0, false, false, false);
    for (at, c) in text.char_indices() {
        match c {
            _ if is_escaped => is_escaped = false,
            '\\' if is_quoted => is_escaped = true,
            '"' => is_quoted = !is_quoted,
            _ if is_quoted => {}
            '<' => is_bracketed = true,
            '>' => is_bracketed = false,
            c if c == separator && !is_bracketed => {
                parts.push(&text[begin..at]);
                begin = at + c.len_utf8();
            }
            _ => {}
        }
    }
    parts.push(&text[begin..]);
    parts.into_iter().map(str::trim).filter(|part| !part.is_empty()).collect()
}

/// `name=value`, with or without spaces and quotes.
pub fn parameter(text: &str) -> Parameter {
    match text.split_once('=') {
        Some((name, value)) => (name.trim().to_ascii_lowercase(), Some(unquoted(value.trim()))),
        None => (text.trim().to_ascii_lowercase(), None),
    }
}

/// The value of a parameter; `None` where it is missing, empty text where it has none.
pub fn value<'a>(parameters: &'a [Parameter], name: &str) -> Option<&'a str> {
    parameters.iter().find(|(known, _)| known == name).map(|(_, value)| value.as_deref().unwrap_or_default())
}

/// A quoted string without its quotes and escapes; other text as it is.
pub fn unquoted(text: &str) -> String {
    let Some(inner) = text.strip_prefix('"') else { return text.to_owned() };
    let (mut plain, mut is_escaped) = (String::new(), false);
    for c in inner.chars() {
        match c {
            c if is_escaped => {
                plain.push(c);
                is_escaped = false;
            }
            '\\' => is_escaped = true,
            '"' => break,
            c => plain.push(c),
        }
    }
    plain
}

/// Text as a quoted string. Line ends can't stand in one (RFC 3261 section 25.1) and are left out.
pub fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars().filter(|c| !matches!(c, '\r' | '\n')) {
        if matches!(c, '"' | '\\') {
            quoted.push('\\');
        }
        quoted.push(c);
    }
    quoted.push('"');
    quoted
}

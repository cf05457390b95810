//! Keys whose value is octets: text as it stands, or hexadecimal behind `0x`.

use std::ops::RangeInclusive;

use serde_json::json;
use toml::Spanned;
use toml::de::DeValue;

use super::{Placed, Table};

impl Table<'_, '_> {
    /// Octets of a length: text as it stands, or hexadecimal behind `0x`, in which colons may stand between octets.
    pub(crate) fn octets(&self, key: &str, length: RangeInclusive<usize>) -> Option<Placed<Vec<u8>>> {
        self.describe(key, || json!({ "type": "string" }));
        self.octets_at(key, self.find(key)?, &length)
    }

    /// A list of such octets; empty when the key is missing.
    pub(crate) fn octets_list(&self, key: &str, length: RangeInclusive<usize>) -> Vec<Placed<Vec<u8>>> {
        self.describe(key, || json!({ "type": "array", "items": { "type": "string" } }));
        self.items(key, "a list of texts", |path, item| self.octets_at(path, item, &length))
    }

    fn octets_at(&self, path: &str, node: &Spanned<DeValue<'_>>, length: &RangeInclusive<usize>) -> Option<Placed<Vec<u8>>> {
        let Some(text) = node.get_ref().as_str() else { return self.wrong_type(path, node, "text in quotes") };
        let octets = match text.strip_prefix("0x") {
            Some(digits) => hexadecimal(digits),
            None => Some(text.as_bytes().to_vec()),
        };
        let Some(octets) = octets else {
            let what = "behind 0x stand pairs of hexadecimal digits, with colons between them or none";
            self.document.wrong(&self.placed(path, node, ()), what);
            return None;
        };
        if !length.contains(&octets.len()) {
            let what = format!("these are {} octets; there must be {} to {}", octets.len(), length.start(), length.end());
            self.document.wrong(&self.placed(path, node, ()), what);
            return None;
        }
        Some(self.placed(path, node, octets))
    }
}

/// Pairs of hexadecimal digits, with colons between them or none.
fn hexadecimal(digits: &str) -> Option<Vec<u8>> {
    let pairs: Vec<&str> = match digits.contains(':') {
        true => digits.split(':').collect(),
        false => digits.as_bytes().chunks(2).map(|pair| std::str::from_utf8(pair).ok()).collect::<Option<_>>()?,
    };
    let octet = |pair: &str| {
        let is_pair = pair.len() == 2 && pair.bytes().all(|c| c.is_ascii_hexdigit());
        if is_pair { u8::from_str_radix(pair, 16).ok() } else { None }
    };
    pairs.into_iter().map(octet).collect()
}

//! Placeholders, and the texts that they are put into.
//!
//! Words are looked at one by one; what is an address, a host's name or a name learnt before is replaced. A last look takes a whole text
//! away where some spelling of a known address is left in it, so that no way of writing one has to be foreseen.

use std::collections::BTreeMap;
use std::net::IpAddr;

use super::forms::{self, Mac};
use crate::reading::names;

/// Names shorter than this are masked in their own field only: `7` is also a figure.
const SHORTEST_NAME: usize = 4;

/// What is masked by what.
#[derive(Debug, Default)]
pub(super) struct Masks {
    /// By kind and the thing in its one spelling.
    placeholders: BTreeMap<(&'static str, String), String>,
    counts: BTreeMap<&'static str, u64>,
    /// Spellings, in small letters, of addresses.
    spelled: BTreeMap<String, String>,
    /// Names in small letters, to be found inside texts.
    names: BTreeMap<String, String>,
}

impl Masks {
    /// How many things of each kind.
    pub(super) fn counts(&self) -> BTreeMap<String, u64> {
        self.counts.iter().map(|(kind, count)| ((*kind).to_owned(), *count)).collect()
    }

    /// Learns a name that may stand inside sentences.
    pub(super) fn learn(&mut self, kind: &'static str, name: &str) {
        let tells = |c: char| c.is_uppercase() || c.is_numeric() || ".-_@ ".contains(c);
        let is_own_field = kind != "text";
        // `IPv6`, `DHCP`: words of the trade that sentences are full of.
        let is_of_trade = !is_own_field && name.len() <= 5 && name.chars().all(char::is_alphanumeric);
        let is_ours = self.is_masked(name) || names::find(name).is_some() || is_of_trade || everybodys(name);
        if name.chars().count() < SHORTEST_NAME || is_ours || !(is_own_field || name.chars().any(tells)) {
            return;
        }
        // Addresses have placeholders of their own.
        if self.words(name) != name {
            return;
        }
        let placeholder = self.placeholder(kind, name.to_owned());
        self.names.insert(name.to_lowercase(), placeholder);
    }

    /// A name in a field of its own.
    pub(super) fn name(&mut self, kind: &'static str, name: &str) -> String {
        if name.is_empty() || self.is_masked(name) {
            return name.to_owned();
        }
        self.placeholder(kind, name.to_owned())
    }

    /// A fact that nobody said may stay: an address keeps its structure, other text goes.
    pub(super) fn fact(&mut self, text: &str) -> String {
        let masked = self.text(text);
        let is_bare = |word: &str| word.is_empty() || self.is_masked(word) || word.bytes().all(|b| b.is_ascii_digit());
        let all_masked = masked.split([' ', ',', '/', ':', '[', ']', '%']).all(is_bare) || everybodys(text);
        if all_masked { masked } else { self.name("text", text) }
    }

    /// A sentence of ours with words of others in quotes.
    pub(super) fn sentence(&mut self, text: &str) -> String {
        let mut out = String::with_capacity(text.len());
        let mut rest = text;
        while let Some((before, quote, inside, after)) = quoted(rest) {
            out.push_str(before);
            out.push(quote);
            let inner = self.fact(inside);
            out.push_str(&inner);
            out.push(quote);
            rest = after;
        }
        out.push_str(rest);
        self.text(&out)
    }

    /// A text that somebody typed (TOML): as any text, less what its remarks say.
    pub(super) fn typed(&mut self, text: &str) -> String {
        text.lines().map(|line| self.text(without_remark(line)).trim_end().to_owned() + "\n").collect()
    }

    /// Any text.
    pub(super) fn text(&mut self, text: &str) -> String {
        let words = self.words(text);
        let out = self.known_names(&words);
        let small = out.to_lowercase();
        let leftover = self.spelled.keys().any(|spelling| small.contains(spelling.as_str()));
        if leftover { self.name("text", text) } else { out }
    }

    fn words(&mut self, text: &str) -> String {
        let mut out = String::with_capacity(text.len());
        let mut word = String::new();
        for c in text.chars().chain(['\0']) {
            if c.is_alphanumeric() || ".:-_%@/+".contains(c) {
                word.push(c);
                continue;
            }
            let masked = self.word(&word);
            out.push_str(&masked);
            word.clear();
            if c != '\0' {
                out.push(c);
            }
        }
        out
    }

    fn word(&mut self, word: &str) -> String {
        let bare = word.trim_end_matches(['.', ':', '-', '/', '+']);
        let tail = &word[bare.len()..];
        // `2001:db8::` ends in what looks like punctuation.
        for (candidate, rest) in [(word, ""), (bare, tail)] {
            if let Some(masked) = self.one(candidate) {
                return masked + rest;
            }
        }
        for separator in ['/', '@', '%', ':', '-'] {
            let Some((first, second)) = bare.split_once(separator) else { continue };
            let (masked, rest) = match separator {
                // Who it is stands before, where it is behind: `sip:anna@example.net`.
                '@' => (self.account(first), self.word(second)),
                _ => (self.word(first), self.word(second)),
            };
            if masked != first || rest != second {
                return format!("{masked}{separator}{rest}{tail}");
            }
        }
        word.to_owned()
    }

    fn account(&mut self, word: &str) -> String {
        let (scheme, user) = word.rsplit_once(':').map_or(("", word), |(scheme, user)| (&word[..=scheme.len()], user));
        let placeholder = self.name("account", user);
        if user.chars().count() >= SHORTEST_NAME && !self.is_masked(user) {
            self.names.insert(user.to_lowercase(), placeholder.clone());
        }
        format!("{scheme}{placeholder}")
    }

    /// A word that is one thing as a whole.
    fn one(&mut self, word: &str) -> Option<String> {
        if word.is_empty() || names::find(word).is_some() || self.is_masked(word) {
            return None;
        }
        if let Ok(address) = word.parse::<IpAddr>() {
            return Some(self.address(address));
        }
        if let Some((address, length)) = word.rsplit_once('/')
            && let (Ok(address), true) = (address.parse::<IpAddr>(), length.bytes().all(|b| b.is_ascii_digit()))
        {
            return Some(format!("{}/{length}", self.address(address)));
        }
        if let Some((address, port)) = word.rsplit_once(':')
            && let (Ok(address), true) = (address.parse::<std::net::Ipv4Addr>(), port.bytes().all(|b| b.is_ascii_digit()))
        {
            return Some(format!("{}:{port}", self.address(address.into())));
        }
        if let Some(mac) = forms::mac(word) {
            return Some(self.mac(mac));
        }
        if let Some(address) = forms::of_reverse_name(word) {
            self.address(address);
            return Some(self.name("name", &word.to_lowercase()));
        }
        if is_host_name(word) {
            let placeholder = self.name("name", &word.trim_end_matches('.').to_lowercase());
            self.names.insert(word.trim_end_matches('.').to_lowercase(), placeholder.clone());
            return Some(placeholder);
        }
        forms::is_long_hex(word).then(|| self.name("hex", &word.to_lowercase()))
    }

    fn address(&mut self, address: IpAddr) -> String {
        let address = address.to_canonical();
        if forms::is_everybodys(address) {
            return address.to_string();
        }
        let placeholder = self.placeholder(forms::kind_of(address), address.to_string());
        for spelling in forms::spellings(address) {
            self.spelled.insert(spelling, placeholder.clone());
        }
        placeholder
    }

    fn mac(&mut self, mac: Mac) -> String {
        if mac == [0xff; 6] || mac == [0; 6] {
            return forms::mac_spellings(mac)[0].clone();
        }
        let spellings = forms::mac_spellings(mac);
        let placeholder = self.placeholder(forms::kind_of_mac(mac), spellings[0].clone());
        for spelling in spellings {
            self.spelled.insert(spelling, placeholder.clone());
        }
        placeholder
    }

    fn placeholder(&mut self, kind: &'static str, thing: String) -> String {
        let Self { placeholders, counts, .. } = self;
        let new = || {
            let count = counts.entry(kind).or_default();
            *count += 1;
            format!("{kind}-{count}")
        };
        placeholders.entry((kind, thing)).or_insert_with(new).clone()
    }

    /// Whether a word is one of the placeholders given out.
    fn is_masked(&self, word: &str) -> bool {
        let parts = word.rsplit_once('-').and_then(|(kind, number)| Some((kind, number.parse::<u64>().ok()?)));
        parts.is_some_and(|(kind, number)| self.counts.get(kind).is_some_and(|count| (1..=*count).contains(&number)))
    }

    /// Replaces the names learnt so far, the longest first, where they stand as words.
    fn known_names(&self, text: &str) -> String {
        let mut names: Vec<(&String, &String)> = self.names.iter().collect();
        names.sort_by_key(|(name, _)| std::cmp::Reverse(name.len()));
        names.into_iter().fold(text.to_owned(), |text, (name, placeholder)| replaced(&text, name, placeholder))
    }
}

/// Replaces a name, whatever its capitals, where no letter or digit is joined to it.
fn replaced(text: &str, name: &str, by: &str) -> String {
    let small = text.to_lowercase();
    // Some letters change their length with their case: then places in the one are not places in the other.
    let text = if small.len() == text.len() { text } else { small.as_str() };
    let mut out = String::with_capacity(text.len());
    let mut from = 0;
    for (at, found) in small.match_indices(name) {
        let end = at + found.len();
        let joined = |c: Option<char>| c.is_some_and(char::is_alphanumeric);
        if at < from || joined(small[..at].chars().next_back()) || joined(small[end..].chars().next()) {
            continue;
        }
        out.push_str(&text[from..at]);
        out.push_str(by);
        from = end;
    }
    out.push_str(&text[from..]);
    out
}

/// Before, the quote, what it holds, after.
fn quoted(text: &str) -> Option<(&str, char, &str, &str)> {
    let (before, quote) = text.char_indices().find(|(_, c)| matches!(c, '"' | '`'))?;
    let rest = &text[before + 1..];
    let end = rest.find(quote)?;
    Some((&text[..before], quote, &rest[..end], &rest[end + 1..]))
}

/// A line of TOML up to its remark; a `#` inside quotes begins none.
fn without_remark(line: &str) -> &str {
    let mut within = None;
    for (at, c) in line.char_indices() {
        match (within, c) {
            (None, '#') => return &line[..at],
            (None, '"' | '\'') => within = Some(c),
            (Some(open), c) if open == c => within = None,
            _ => {}
        }
    }
    line
}

fn everybodys(text: &str) -> bool {
    text.parse::<IpAddr>().is_ok_and(forms::is_everybodys)
        || forms::mac(text).is_some_and(|mac| mac == [0xff; 6] || mac == [0; 6])
}

/// Labels of RFC 1123 with a dot between, the last one of letters: also takes a file's name or an abbreviation, which loses little.
fn is_host_name(word: &str) -> bool {
    let labels: Vec<&str> = word.trim_end_matches('.').split('.').collect();
    let label = |label: &&str| !label.is_empty() && label.chars().all(|c| c.is_alphanumeric() || c == '-' || c == '_');
    let last = labels.last().copied().unwrap_or_default();
    labels.len() >= 2
        && labels.iter().all(label)
        && last.chars().count() >= 2
        && (last.chars().all(char::is_alphabetic) || last.starts_with("xn--"))
}

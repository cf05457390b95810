//! What the far end says of a question whose answer is known: what arrived and from where, signed with a key that never was on this way.
//!
//! Whoever changes a question on its way to the far end is found by holding what arrived against what was sent. What the question is, is its
//! protocol's: [`super::web`], [`super::sip`]. Pure: it must not know sockets or sessions.

use std::net::IpAddr;

use crate::wire::stamp::Key;

/// First line of what is told.
const TITLE: &str = "doorstep known answer 1";

/// What the far end tells.
pub fn tell(key: &Key, nonce: &str, seen: IpAddr, arrived: &[u8]) -> String {
    let told = format!("{TITLE}\nnonce {nonce}\nseen {seen}\nhead {}\n", hex(arrived));
    format!("{told}mac {}\n", hex(&key.tag(&[told.as_bytes()])))
}

/// The far end's words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// Where the question came from.
    pub seen: IpAddr,
    /// The question as it arrived.
    pub arrived: Vec<u8>,
    /// The words as they were sent.
    pub text: String,
}

/// The signed words of the far end, if they are whole and of this question.
pub fn told(key: &Key, nonce: &str, octets: &[u8]) -> Option<Told> {
    let text = std::str::from_utf8(&octets[find(octets, TITLE.as_bytes())?..]).ok()?;
    let signed = &text[..text.find("mac ")?];
    let mac = text[signed.len()..].strip_prefix("mac ")?.lines().next()?;
    let is_whole = hex(&key.tag(&[signed.as_bytes()])) == mac;
    let line = |name: &str| signed.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(' '));
    let (seen, arrived) = (line("seen")?.parse().ok()?, unhex(line("head")?).unwrap_or_default());
    let told = Told { seen, arrived, text: format!("{signed}mac {mac}\n") };
    (is_whole && line("nonce")? == nonce).then_some(told)
}

/// Whether octets hold such words, whole or not.
pub fn is_claimed(octets: &[u8]) -> bool {
    find(octets, TITLE.as_bytes()).is_some()
}

/// Names lines of a head that came to it or went from it; the order counts only where the lines are the same.
pub fn differences(what: &str, sent: &str, arrived: &str, marks: &mut Vec<String>) {
    let lines = |text: &str| text.lines().filter(|line| !line.is_empty()).map(str::to_owned).collect::<Vec<_>>();
    let (before, after) = (lines(sent), lines(arrived));
    let shown = |line: &String| line.chars().filter(|c| !c.is_control()).take(80).collect::<String>();
    // What a head says at most: somebody who rewrites all of it is told by a few lines.
    for line in after.iter().filter(|line| !before.contains(line)).take(4) {
        marks.push(format!("the {what} arrives with '{}'", shown(line)));
    }
    for line in before.iter().filter(|line| !after.contains(line)).take(4) {
        marks.push(format!("the {what} arrives without '{}'", shown(line)));
    }
    if marks.is_empty() && sent != arrived {
        marks.push(format!("the {what} arrives in another form or order"));
    }
}

fn find(octets: &[u8], part: &[u8]) -> Option<usize> {
    octets.windows(part.len()).position(|window| window == part)
}

fn hex(octets: &[u8]) -> String {
    octets.iter().flat_map(|byte| [byte >> 4, byte & 15]).filter_map(|digit| char::from_digit(digit.into(), 16)).collect()
}

fn unhex(digits: &str) -> Option<Vec<u8>> {
    let digits: Vec<u8> = digits.chars().map(|c| c.to_digit(16).map(|d| d as u8)).collect::<Option<_>>()?;
    Some(digits.chunks(2).map(|pair| pair.iter().fold(0, |byte, digit| byte << 4 | digit)).collect())
}

//! The one byte string that a JSON document stands for: RFC 8785, the JSON Canonicalization Scheme.
//!
//! Needed to sign a document that others may lay out anew. It reads JSON into a tree of its own, so that neither the order that
//! the JSON library keeps its maps in nor a switch of some other crate can change what is signed. It must not know records or keys.
//!
//! Stricter than most readers, as section 3.1 asks (I-JSON, RFC 7493): a name that stands twice in an object and a whole number
//! that a double can't hold are refused, for two readers could see two things in them.

use std::fmt::{self, Write as _};

use serde::de::{Deserialize, Deserializer, Error as _, MapAccess, SeqAccess, Visitor};

/// Largest whole number that each reader understands alike: 2^53 - 1 (RFC 7493 section 2.2).
const LARGEST_WHOLE: u64 = (1 << 53) - 1;

/// Why a text has no canonical form.
#[derive(Debug, thiserror::Error)]
#[error("the document has no canonical form (RFC 8785): {0}")]
pub struct NoForm(#[from] serde_json::Error);

/// A JSON document as RFC 8785 sees it: numbers are doubles, the members of an object have no order.
#[derive(Debug, Clone, PartialEq)]
pub struct Document(Node);

#[derive(Debug, Clone, PartialEq)]
enum Node {
    Null,
    Truth(bool),
    Number(f64),
    Text(String),
    List(Vec<Self>),
    Object(Vec<(String, Self)>),
}

impl Document {
    /// Reads a JSON text in UTF-8.
    ///
    /// # Errors
    /// Where it is no JSON, has a name twice in one object, or a whole number beyond 2^53 - 1.
    pub fn parse(text: &[u8]) -> Result<Self, NoForm> {
        Ok(Self(serde_json::from_slice(text)?))
    }

    /// The same without a member, named by its path of object names; unchanged when there is none.
    #[must_use]
    pub fn without(mut self, path: &[&str]) -> Self {
        self.0.remove(path);
        self
    }

    /// The canonical octets (section 3.2): no white space, names sorted by their UTF-16 code units, one spelling for each number
    /// and string.
    pub fn canonical(&self) -> Vec<u8> {
        let mut out = String::new();
        self.0.emit(&mut out);
        out.into_bytes()
    }
}

impl Node {
    fn remove(&mut self, path: &[&str]) {
        let (Self::Object(members), Some((first, rest))) = (self, path.split_first()) else { return };
        if rest.is_empty() {
            members.retain(|(name, _)| name != first);
        } else if let Some((_, inner)) = members.iter_mut().find(|(name, _)| name == first) {
            inner.remove(rest);
        }
    }

    fn emit(&self, out: &mut String) {
        match self {
            Self::Null => out.push_str("null"),
            Self::Truth(true) => out.push_str("true"),
            Self::Truth(false) => out.push_str("false"),
            Self::Number(value) => out.push_str(&number(*value)),
            Self::Text(value) => text(value, out),
            Self::List(items) => {
                out.push('[');
                for (index, item) in items.iter().enumerate() {
                    if index > 0 {
                        out.push(',');
                    }
                    item.emit(out);
                }
                out.push(']');
            }
            Self::Object(members) => {
                let mut sorted: Vec<&(String, Self)> = members.iter().collect();
                sorted.sort_by(|one, other| one.0.encode_utf16().cmp(other.0.encode_utf16()));
                out.push('{');
                for (index, (name, value)) in sorted.into_iter().enumerate() {
                    if index > 0 {
                        out.push(',');
                    }
                    text(name, out);
                    out.push(':');
                    value.emit(out);
                }
                out.push('}');
            }
        }
    }
}

/// A string as section 3.2.2.2 spells it: five short escapes, `\u00xx` for other controls, quote and reverse solidus, all else as it is.
fn text(value: &str, out: &mut String) {
    out.push('"');
    for c in value.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\u{8}' => out.push_str("\\b"),
            '\t' => out.push_str("\\t"),
            '\n' => out.push_str("\\n"),
            '\u{c}' => out.push_str("\\f"),
            '\r' => out.push_str("\\r"),
            control if control < ' ' => {
                // Writing to a String cannot fail.
                let _ = write!(out, "\\u{:04x}", u32::from(control));
            }
            other => out.push(other),
        }
    }
    out.push('"');
}

/// A double as section 3.2.2.3 spells it, that is Number::toString of ECMA-262: the shortest digits that read back as the same
/// double, the closest of them, and an exponent only below 10^-6 and from 10^21.
fn number(value: f64) -> String {
    if value == 0.0 {
        return "0".to_owned(); // also for -0
    }
    let spelled = shortest(value.abs());
    let (mantissa, exponent) = spelled.split_once('e').unwrap_or((&spelled, "0"));
    let digits = mantissa.replace('.', "");
    let (count, point) = (digits.len() as i32, exponent.parse::<i32>().unwrap_or(0) + 1);
    let zeros = |n: i32| "0".repeat(usize::try_from(n).unwrap_or(0));
    let unsigned = if (count..=21).contains(&point) {
        format!("{digits}{}", zeros(point - count))
    } else if (1..=21).contains(&point) {
        let (whole, rest) = digits.split_at(usize::try_from(point).unwrap_or(0));
        format!("{whole}.{rest}")
    } else if (-5..=0).contains(&point) {
        format!("0.{}{digits}", zeros(-point))
    } else {
        let (first, rest) = digits.split_at(1);
        let dot = if rest.is_empty() { "" } else { "." };
        format!("{first}{dot}{rest}e{:+}", point - 1)
    };
    if value < 0.0 { format!("-{unsigned}") } else { unsigned }
}

/// The shortest digits with their exponent: `1.25e-7`. Of two that are as close, ECMA-262 takes the even one, the standard library's
/// shortest form the larger; its form of a set length rounds to even.
fn shortest(value: f64) -> String {
    let short = format!("{value:e}");
    let mantissa = short.split('e').next().unwrap_or_default();
    let even = format!("{value:.*e}", mantissa.len().saturating_sub(2));
    if even.parse() == Ok(value) { even } else { short }
}

impl<'de> Deserialize<'de> for Node {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Reader)
    }
}

struct Reader;

impl<'de> Visitor<'de> for Reader {
    type Value = Node;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Node, E> {
        Ok(Node::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Node, E> {
        Ok(Node::Truth(value))
    }

    fn visit_u64<E: serde::de::Error>(self, value: u64) -> Result<Node, E> {
        whole(value).map(Node::Number)
    }

    fn visit_i64<E: serde::de::Error>(self, value: i64) -> Result<Node, E> {
        whole(value.unsigned_abs()).map(|size: f64| Node::Number(if value < 0 { -size } else { size }))
    }

    fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Node, E> {
        if value.is_finite() { Ok(Node::Number(value)) } else { Err(E::custom("a number that is not finite")) }
    }

    fn visit_str<E>(self, value: &str) -> Result<Node, E> {
        Ok(Node::Text(value.to_owned()))
    }

    fn visit_string<E>(self, value: String) -> Result<Node, E> {
        Ok(Node::Text(value))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Node, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = items.next_element()? {
            list.push(item);
        }
        Ok(Node::List(list))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Node, A::Error> {
        let mut object: Vec<(String, Node)> = Vec::new();
        let mut names = std::collections::BTreeSet::new();
        while let Some((name, value)) = members.next_entry::<String, Node>()? {
            if !names.insert(name.clone()) {
                return Err(A::Error::custom(format_args!("the name {name:?} stands twice in one object")));
            }
            object.push((name, value));
        }
        Ok(Node::Object(object))
    }
}

fn whole<E: serde::de::Error>(size: u64) -> Result<f64, E> {
    let value = size as f64;
    // Beyond it only the spelling that a double itself has: what this writes it also reads.
    if size <= LARGEST_WHOLE || number(value) == size.to_string() {
        Ok(value)
    } else {
        Err(E::custom(format_args!("the whole number {size} is beyond 2^53 - 1, where readers differ")))
    }
}

#[cfg(test)]
mod tests;

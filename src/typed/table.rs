//! Reading TOML tables key by key, keeping the place of each and collecting everything that is wrong.
//!
//! A table is opened with the keys that it may hold, so an unknown key can't pass. It knows nothing about what is read.

use std::cell::{Cell, RefCell};
use std::ops::{Range, RangeInclusive};

use serde_json::json;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::problem::{Problem, nearest};
use super::shape::Shape;

mod octets;

/// Most problems that are told; more are counted. Each costs a walk through the text, so that a text with a problem in
/// every line would take time in the square of its length.
const MOST_PROBLEMS: usize = 40;

/// The text and the problems found in it.
#[derive(Debug)]
pub(crate) struct Document<'a> {
    pub(crate) text: &'a str,
    is_partial: bool,
    problems: RefCell<Vec<Problem>>,
    more: Cell<usize>,
    /// Where no text is read, but noted what would be.
    shape: Option<Shape>,
    empty: DeTable<'a>,
}

/// A value and where it stands.
#[derive(Debug, Clone)]
pub(crate) struct Placed<T> {
    pub(crate) value: T,
    pub(crate) span: Range<usize>,
    pub(crate) path: String,
}

/// One table of the document.
#[derive(Debug)]
pub(crate) struct Table<'a, 'd> {
    document: &'d Document<'a>,
    node: &'d DeTable<'a>,
    span: Range<usize>,
    path: String,
}

/// The outermost table of a text.
///
/// # Errors
/// Where the text is not TOML.
pub(crate) fn root(text: &str) -> Result<Spanned<DeTable<'_>>, Box<Problem>> {
    DeTable::parse(text).map_err(|error| {
        let span = error.span().unwrap_or(0..0);
        let what = format!("this is not TOML: {}", error.message().replace('\n', "; "));
        Box::new(Problem::at(text, span, "", what))
    })
}

impl<'a> Document<'a> {
    pub(crate) fn new(text: &'a str) -> Self {
        let (problems, more) = (RefCell::new(Vec::new()), Cell::new(0));
        Self { text, is_partial: false, problems, more, shape: None, empty: DeTable::new() }
    }

    /// No text: every table is there and empty, and what is asked of it is noted.
    pub(crate) fn describing() -> Self {
        Self { shape: Some(Shape::default()), ..Self::new("") }
    }

    /// What was asked; `None` where a text was read.
    pub(crate) fn shape(&self) -> Option<&Shape> {
        self.shape.as_ref()
    }

    /// The outermost table of a document without a text.
    pub(crate) fn nothing(&self) -> &DeTable<'a> {
        &self.empty
    }

    /// A text that another one completes: what is missing in it is no problem.
    pub(crate) fn partial(text: &'a str) -> Self {
        Self { is_partial: true, ..Self::new(text) }
    }

    pub(crate) fn is_partial(&self) -> bool {
        self.is_partial
    }

    /// Notes a problem.
    pub(crate) fn wrong<T>(&self, at: &Placed<T>, what: impl Into<String>) {
        self.note(|| Problem::at(self.text, at.span.clone(), &at.path, what.into()));
    }

    /// Notes a problem with a list of what is allowed and the word that may have been meant.
    pub(crate) fn wrong_word<'w>(
        &self,
        at: &Placed<String>,
        what: impl Into<String>,
        allowed: impl Iterator<Item = &'w str> + Clone,
    ) {
        self.note(|| Problem {
            nearest: nearest(&at.value, allowed.clone()),
            allowed: Some(allowed.collect::<Vec<_>>().join(", ")),
            ..Problem::at(self.text, at.span.clone(), &at.path, what.into())
        });
    }

    /// Notes a problem, or counts it when there are enough.
    pub(crate) fn note(&self, problem: impl FnOnce() -> Problem) {
        if self.problems.borrow().len() < MOST_PROBLEMS {
            self.problems.borrow_mut().push(problem());
        } else {
            self.more.set(self.more.get() + 1);
        }
    }

    /// The problems in the order of the text, and how many more were only counted.
    pub(crate) fn into_problems(self) -> (Vec<Problem>, usize) {
        let mut problems = self.problems.into_inner();
        problems.sort_by_key(|p| (p.line, p.column));
        // A table that is opened twice has its unknown keys told once.
        problems.dedup();
        (problems, self.more.get())
    }
}

impl<'a, 'd> Table<'a, 'd> {
    /// Opens a table; keys that are not in `allowed` are noted as problems.
    pub(crate) fn open(
        document: &'d Document<'a>,
        node: &'d DeTable<'a>,
        span: Range<usize>,
        path: String,
        allowed: &[&str],
    ) -> Self {
        for key in node.keys() {
            let word = key.get_ref().as_ref();
            if !allowed.contains(&word) {
                let at = Placed { value: word.to_owned(), span: key.span(), path: join(&path, word) };
                document.wrong_word(&at, format!("the key {word:?} is unknown here"), allowed.iter().copied());
            }
        }
        if let Some(shape) = &document.shape {
            shape.open(&path, allowed);
        }
        Self { document, node, span, path }
    }

    /// Notes the type of a key where no text is read.
    fn describe(&self, key: &str, of: impl FnOnce() -> serde_json::Value) {
        if let Some(shape) = &self.document.shape {
            shape.key(&self.path, key, of());
        }
    }

    /// Says for the schema that a text is one of some names, which the reader looks up by itself.
    pub(crate) fn named<'n>(&self, key: &str, names: impl Iterator<Item = &'n str>) {
        self.describe(key, || json!({ "enum": names.collect::<Vec<_>>() }));
    }

    /// Where the table itself stands, for what is wrong with the whole of it.
    pub(crate) fn here(&self) -> Placed<()> {
        Placed { value: (), span: self.span.clone(), path: self.path.clone() }
    }

    pub(crate) fn has(&self, key: &str) -> bool {
        self.find(key).is_some()
    }

    /// Where the value of a key stands, if it is there.
    pub(crate) fn place(&self, key: &str) -> Option<Placed<()>> {
        self.find(key).map(|node| self.placed(key, node, ()))
    }

    fn find(&self, key: &str) -> Option<&'d Spanned<DeValue<'a>>> {
        self.node.iter().find(|(k, _)| k.get_ref().as_ref() == key).map(|(_, v)| v)
    }

    fn placed<T>(&self, key: &str, node: &Spanned<DeValue<'_>>, value: T) -> Placed<T> {
        Placed { value, span: node.span(), path: join(&self.path, key) }
    }

    fn wrong_type<T>(&self, key: &str, node: &Spanned<DeValue<'_>>, wanted: &str) -> Option<T> {
        let found = with_article(node.get_ref().type_str());
        self.document.wrong(&self.placed(key, node, ()), format!("here stands {found}, but it must be {wanted}"));
        None
    }

    /// Notes that one of some keys must be there, unless one is.
    pub(crate) fn one_of(&self, keys: &[&str], meaning: &str) {
        if let Some(shape) = &self.document.shape {
            shape.one_of(&self.path, keys);
        }
        if keys.iter().any(|key| self.has(key)) || self.document.is_partial {
            return;
        }
        let (last, others) = keys.split_last().unwrap_or((&"", &[]));
        self.document.wrong(&self.here(), format!("{meaning}: {} or {last}", others.join(", ")));
    }

    /// The text of a key that was read before, or nothing: wrong ones are told there.
    pub(crate) fn peek(&self, key: &str) -> Option<&str> {
        self.find(key)?.get_ref().as_str()
    }

    /// The same for a number.
    pub(crate) fn peek_number(&self, key: &str) -> Option<f64> {
        plain_number(self.find(key)?.get_ref())
    }

    /// Notes that a key must be there.
    pub(crate) fn missing(&self, key: &str, meaning: &str) {
        if let Some(shape) = &self.document.shape {
            shape.required(&self.path, key, meaning);
        }
        if self.document.is_partial {
            return;
        }
        self.document.wrong(&self.here(), format!("the key {key:?} is missing: {meaning}"));
    }

    /// A text that is not empty.
    pub(crate) fn text(&self, key: &str) -> Option<Placed<String>> {
        self.describe(key, || json!({ "type": "string", "pattern": "\\S" }));
        let node = self.find(key)?;
        let Some(text) = node.get_ref().as_str() else { return self.wrong_type(key, node, "text in quotes") };
        let placed = self.placed(key, node, text.to_owned());
        if text.trim().is_empty() {
            self.document.wrong(&placed, "the text is empty");
            return None;
        }
        Some(placed)
    }

    /// A text that must be there.
    pub(crate) fn required_text(&self, key: &str, meaning: &str) -> Option<Placed<String>> {
        if !self.has(key) {
            self.missing(key, meaning);
        }
        self.text(key)
    }

    /// A finite number, zero or larger: all limits, rates and shares are.
    pub(crate) fn number(&self, key: &str) -> Option<Placed<f64>> {
        self.quantity(key, "a number")
    }

    /// The same; `wanted` says what must stand there, with its unit.
    pub(crate) fn quantity(&self, key: &str, wanted: &str) -> Option<Placed<f64>> {
        self.describe(key, || json!({ "type": "number", "minimum": 0 }));
        let holds = |value: f64| value.is_finite() && value >= 0.0;
        self.parsed(key, wanted, holds, || "the number must be finite and not negative".to_owned())
    }

    /// A number within a range, which may reach below zero.
    pub(crate) fn real(&self, key: &str, range: &RangeInclusive<f64>, unit: &str) -> Option<Placed<f64>> {
        self.describe(key, || json!({ "type": "number", "minimum": range.start(), "maximum": range.end() }));
        let words = || format!("the number must lie between {} and {} {unit}", range.start(), range.end());
        self.parsed(key, "a number", |value| range.contains(&value), words)
    }

    fn parsed(
        &self,
        key: &str,
        wanted: &str,
        holds: impl Fn(f64) -> bool,
        otherwise: impl Fn() -> String,
    ) -> Option<Placed<f64>> {
        let node = self.find(key)?;
        let Some(parsed) = plain_number(node.get_ref()) else { return self.wrong_type(key, node, wanted) };
        let value = Some(parsed).filter(|value| holds(*value));
        if value.is_none() {
            self.document.wrong(&self.placed(key, node, ()), otherwise());
        }
        value.map(|v| self.placed(key, node, v))
    }

    /// A whole number within a range.
    pub(crate) fn whole(&self, key: &str, range: RangeInclusive<u64>) -> Option<Placed<u64>> {
        self.describe(key, || integer(&range));
        self.whole_at(key, self.find(key)?, &range)
    }

    fn whole_at(&self, key: &str, node: &Spanned<DeValue<'_>>, range: &RangeInclusive<u64>) -> Option<Placed<u64>> {
        let DeValue::Integer(integer) = node.get_ref() else { return self.wrong_type(key, node, "a whole number") };
        let value = u64::from_str_radix(integer.as_str(), integer.radix()).ok().filter(|v| range.contains(v));
        if value.is_none() {
            let words = format!("the number must lie between {} and {}", range.start(), range.end());
            self.document.wrong(&self.placed(key, node, ()), words);
        }
        value.map(|v| self.placed(key, node, v))
    }

    /// Whole numbers within a range, in order; empty when the key is missing.
    pub(crate) fn wholes(&self, key: &str, range: RangeInclusive<u64>) -> Vec<Placed<u64>> {
        self.describe(key, || json!({ "type": "array", "items": integer(&range) }));
        self.items(key, "a list of whole numbers", |path, item| self.whole_at(path, item, &range))
    }

    /// Texts in order; empty when the key is missing.
    pub(crate) fn texts(&self, key: &str) -> Vec<Placed<String>> {
        self.describe(key, || json!({ "type": "array", "items": { "type": "string" } }));
        self.items(key, "a list of texts", |path, item| match item.get_ref().as_str() {
            Some(text) => Some(self.placed(path, item, text.to_owned())),
            None => self.wrong_type(path, item, "text in quotes"),
        })
    }

    /// The items of a list that could be read, each with its place counted from 1.
    fn items<T>(
        &self,
        key: &str,
        wanted: &str,
        read: impl Fn(&str, &Spanned<DeValue<'_>>) -> Option<Placed<T>>,
    ) -> Vec<Placed<T>> {
        let Some(node) = self.find(key) else { return Vec::new() };
        let Some(array) = node.get_ref().as_array() else { return self.wrong_type(key, node, wanted).unwrap_or_default() };
        array.iter().enumerate().filter_map(|(i, item)| read(&format!("{key}[{}]", i + 1), item)).collect()
    }

    /// True or false.
    pub(crate) fn truth(&self, key: &str) -> Option<bool> {
        self.describe(key, || json!({ "type": "boolean" }));
        let node = self.find(key)?;
        node.get_ref().as_bool().or_else(|| self.wrong_type(key, node, "true or false"))
    }

    /// One of a set of words.
    pub(crate) fn word<T: Copy>(&self, key: &str, words: &[(&str, T)]) -> Option<T> {
        self.named(key, words.iter().map(|(word, _)| *word));
        let text = self.text(key)?;
        self.choose(&text, words)
    }

    /// A list of words of a set; empty when the key is missing.
    pub(crate) fn words<T: Copy>(&self, key: &str, words: &[(&str, T)]) -> Vec<T> {
        let all = || words.iter().map(|(word, _)| *word).collect::<Vec<_>>();
        self.describe(key, || json!({ "type": "array", "items": { "enum": all() }, "uniqueItems": true }));
        let Some(node) = self.find(key) else { return Vec::new() };
        let Some(array) = node.get_ref().as_array() else {
            return self.wrong_type(key, node, "a list of words").unwrap_or_default();
        };
        let chosen = array.iter().enumerate().filter_map(|(i, item)| {
            let path = format!("{key}[{}]", i + 1);
            match item.get_ref().as_str() {
                Some(text) => self.choose(&self.placed(&path, item, text.to_owned()), words),
                None => self.wrong_type(&path, item, "text in quotes"),
            }
        });
        chosen.collect()
    }

    fn choose<T: Copy>(&self, text: &Placed<String>, words: &[(&str, T)]) -> Option<T> {
        let found = words.iter().find(|(word, _)| *word == text.value).map(|(_, meaning)| *meaning);
        if found.is_none() {
            self.document.wrong_word(
                text,
                format!("{:?} is not one of the words for this key", text.value),
                words.iter().map(|(w, _)| *w),
            );
        }
        found
    }

    /// A table below this one.
    pub(crate) fn table(&self, key: &str, allowed: &[&str]) -> Option<Self> {
        let Some(node) = self.find(key) else { return self.described(key, allowed) };
        let Some(table) = node.get_ref().as_table() else { return self.wrong_type(key, node, "a table") };
        Some(Table::open(self.document, table, node.span(), join(&self.path, key), allowed))
    }

    /// A table without a text below this one, where no text is read.
    fn described(&self, key: &str, allowed: &[&str]) -> Option<Self> {
        let document = self.document;
        document.shape.is_some().then(|| Table::open(document, &document.empty, 0..0, join(&self.path, key), allowed))
    }

    /// A list of tables below this one, counted from 1.
    pub(crate) fn tables(&self, key: &str, allowed: &[&str]) -> Vec<Self> {
        let Some(node) = self.find(key) else { return Vec::from_iter(self.described(&format!("{key}[1]"), allowed)) };
        let Some(array) = node.get_ref().as_array() else {
            return self.wrong_type(key, node, &format!("a list of tables, each headed [[{key}]]")).unwrap_or_default();
        };
        let opened = array.iter().enumerate().filter_map(|(i, item)| {
            let path = join(&self.path, &format!("{key}[{}]", i + 1));
            match item.get_ref().as_table() {
                Some(table) => Some(Table::open(self.document, table, item.span(), path, allowed)),
                None => self.wrong_type(&path, item, "a table"),
            }
        });
        opened.collect()
    }
}

fn integer(range: &RangeInclusive<u64>) -> serde_json::Value {
    json!({ "type": "integer", "minimum": range.start(), "maximum": range.end() })
}

fn plain_number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(i) if i.radix() == 10 => i.as_str().parse().ok(),
        DeValue::Float(x) => x.as_str().parse().ok(),
        _ => None,
    }
}

fn join(path: &str, key: &str) -> String {
    if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") }
}

fn with_article(kind: &str) -> String {
    match kind {
        "string" => "a text".to_owned(),
        "integer" => "a whole number".to_owned(),
        "float" => "a number".to_owned(),
        "boolean" => "true or false".to_owned(),
        "array" => "a list".to_owned(),
        "table" => "a table".to_owned(),
        other => format!("a {other}"),
    }
}

//! What a reader asks of its tables, as a JSON Schema: the reader runs once over tables that hold nothing, and each key that it asks
//! for is noted with its type, its words and its bounds.
//!
//! So the schema can't say anything else than the reader does. What several keys together can get wrong is not in it.

use std::cell::RefCell;
use std::collections::BTreeMap;

use serde_json::{Map, Value, json};

/// All tables of a document by their path; members of lists as number 1.
#[derive(Debug, Default)]
pub(crate) struct Shape {
    tables: RefCell<BTreeMap<String, TableShape>>,
}

/// One table.
#[derive(Debug, Default)]
struct TableShape {
    keys: Vec<String>,
    types: BTreeMap<String, Value>,
    required: Vec<String>,
    one_of: Vec<Vec<String>>,
    about: BTreeMap<String, String>,
}

/// Which of a table's demands count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Demands {
    /// All: a text that stands by itself.
    All,
    /// None: a text that another one completes.
    None,
}

impl Shape {
    /// A table that may hold these keys.
    pub(super) fn open(&self, path: &str, keys: &[&str]) {
        self.on(path, |table| table.keys = keys.iter().map(|key| (*key).to_owned()).collect());
    }

    /// The type of a key; the first word on it counts.
    pub(super) fn key(&self, path: &str, key: &str, of: Value) {
        self.on(path, |table| {
            table.types.entry(key.to_owned()).or_insert(of);
        });
    }

    /// A key that must be there, and what it is.
    pub(super) fn required(&self, path: &str, key: &str, meaning: &str) {
        self.on(path, |table| {
            table.required.push(key.to_owned());
            table.about.insert(key.to_owned(), meaning.to_owned());
        });
    }

    /// Keys of which one must be there.
    pub(super) fn one_of(&self, path: &str, keys: &[&str]) {
        self.on(path, |table| table.one_of.push(keys.iter().map(|key| (*key).to_owned()).collect()));
    }

    fn on(&self, path: &str, change: impl FnOnce(&mut TableShape)) {
        change(self.tables.borrow_mut().entry(path.to_owned()).or_default());
    }

    /// The schema of a table with all below it; `about` says what the key at a path is, with `[]` behind lists.
    pub(crate) fn schema(&self, path: &str, demands: Demands, about: &dyn Fn(&str) -> Option<String>) -> Value {
        let tables = self.tables.borrow();
        let Some(table) = tables.get(path) else { return Value::Bool(true) };
        let mut properties = Map::new();
        for key in &table.keys {
            let whole = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
            let mut one = match (tables.contains_key(&whole), tables.contains_key(&format!("{whole}[1]"))) {
                (true, _) => self.schema(&whole, demands, about),
                (_, true) => {
                    let item = self.schema(&format!("{whole}[1]"), demands, about);
                    json!({ "type": "array", "items": item })
                }
                _ => table.types.get(key).cloned().unwrap_or_else(|| json!({})),
            };
            let words = about(&whole.replace("[1]", "[]")).or_else(|| table.about.get(key).cloned());
            if let (Some(object), Some(words)) = (one.as_object_mut(), words) {
                object.insert("description".to_owned(), words.into());
            }
            properties.insert(key.clone(), one);
        }
        let mut schema = json!({ "type": "object", "additionalProperties": false, "properties": properties });
        let all = demands == Demands::All;
        if let Some(object) = schema.as_object_mut() {
            if all && !table.required.is_empty() {
                object.insert("required".to_owned(), json!(table.required));
            }
            let groups = table.one_of.iter().map(|keys| keys.iter().map(|key| json!({ "required": [key] })).collect::<Vec<_>>());
            let groups: Vec<Value> = groups.map(|group| json!({ "anyOf": group })).collect();
            if all && !groups.is_empty() {
                object.insert("allOf".to_owned(), groups.into());
            }
        }
        schema
    }
}

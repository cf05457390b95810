//! The rooms know only whom `docs/architecture.md` lets them know: its tables are read from the page, the code from `src`.
//!
//! It reads lines, not syntax: `crate::room::module` wherever it stands outside of comments and tests.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// One source file without its tests.
struct Source {
    /// Path below `src`, for messages.
    path: String,
    /// First part of the module path.
    room: String,
    /// Parts of the module path.
    depth: usize,
    /// Line number and text of what is neither comment nor test.
    lines: Vec<(usize, String)>,
    /// The file as it stands.
    whole: String,
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn page() -> String {
    std::fs::read_to_string(root().join("docs/architecture.md")).expect("docs/architecture.md is readable")
}

fn files_below(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("src is readable") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            files_below(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

/// Module files that a parent declares under `#[cfg(test)]`.
fn test_modules(files: &[PathBuf]) -> BTreeSet<PathBuf> {
    let mut found = BTreeSet::new();
    for file in files {
        let text = std::fs::read_to_string(file).expect("source is readable");
        let lines: Vec<&str> = text.lines().map(str::trim).collect();
        for pair in lines.windows(2) {
            let module = pair[1].trim_start_matches("pub(super) ").trim_start_matches("pub(crate) ");
            let Some(name) = module.strip_prefix("mod ").and_then(|m| m.strip_suffix(';')) else { continue };
            if pair[0] == "#[cfg(test)]" {
                let folder = file.with_extension("");
                found.insert(folder.join(format!("{name}.rs")));
                found.insert(folder.join(name));
            }
        }
    }
    found
}

/// What stands before the file's own tests, without comments.
fn code_lines(text: &str) -> Vec<(usize, String)> {
    let mut kept = Vec::new();
    let all: Vec<&str> = text.lines().collect();
    for (i, line) in all.iter().enumerate() {
        let opens_tests =
            line.trim() == "#[cfg(test)]" && all.get(i + 1).is_some_and(|next| next.trim().starts_with("mod tests {"));
        if opens_tests {
            break;
        }
        let code = line.split("//").next().unwrap_or_default();
        if !code.trim().is_empty() {
            kept.push((i + 1, code.to_owned()));
        }
    }
    kept
}

fn sources() -> Vec<Source> {
    let src = root().join("src");
    let mut files = Vec::new();
    files_below(&src, &mut files);
    let tests = test_modules(&files);
    files.sort();
    let outside = |file: &PathBuf| !tests.iter().any(|t| file == t || file.starts_with(t));
    let read = |file: &PathBuf| {
        let path = file.strip_prefix(&src).expect("below src").to_string_lossy().into_owned();
        let whole = std::fs::read_to_string(file).expect("source is readable");
        let parts: Vec<&str> = path.trim_end_matches(".rs").split('/').collect();
        Source { room: parts[0].to_owned(), depth: parts.len(), lines: code_lines(&whole), path: path.clone(), whole }
    };
    let found: Vec<Source> = files.iter().filter(|f| outside(f)).map(read).collect();
    assert!(found.len() > 100, "only {} source files found: the walk is broken", found.len());
    found
}

/// The rows of the table whose header begins so, as cells.
fn table(page: &str, header: &str) -> Vec<Vec<String>> {
    let cells = |line: &str| line.trim().trim_matches('|').split('|').map(|c| c.trim().to_owned()).collect();
    let rows: Vec<_> =
        page.lines().skip_while(|l| !l.starts_with(header)).take_while(|l| l.starts_with('|')).map(cells).collect();
    assert!(rows.len() > 3, "docs/architecture.md has no table that begins `{header}`");
    rows
}

fn ticked(cell: &str) -> Vec<String> {
    cell.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

/// What a room may know of another.
enum May {
    All,
    Only(Vec<String>),
}

fn permissions(page: &str) -> BTreeMap<(String, String), May> {
    let rows = table(page, "| room | reading |");
    let header = &rows[0];
    let mut may = BTreeMap::new();
    for row in &rows[2..] {
        assert_eq!(row.len(), header.len(), "row {} has as many cells as the header", row[0]);
        for (cell, column) in row.iter().zip(header).skip(1) {
            let granted = match cell.as_str() {
                "" => continue,
                "●" => May::All,
                names => May::Only(ticked(names)),
            };
            may.insert((row[0].clone(), column.clone()), granted);
        }
    }
    may
}

/// `(room, [modules or types])` of each `crate::` in a line: `crate::net::facts::{self, Link}` gives `net` and `[facts]`.
fn mentions(line: &str) -> Vec<(String, Vec<String>)> {
    let ident = |text: &str| text.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '_').collect::<String>();
    line.split("crate::")
        .skip(1)
        .map(|rest| {
            let room = ident(rest);
            let after = rest[room.len()..].strip_prefix("::").unwrap_or_default();
            let parts = match after.strip_prefix('{') {
                Some(group) => top_level(group).iter().map(|part| ident(part.trim())).collect(),
                None => vec![ident(after)],
            };
            (room, parts.into_iter().filter(|p| !p.is_empty()).collect())
        })
        .collect()
}

/// The parts of a `{…}` group, split at its own commas.
fn top_level(group: &str) -> Vec<String> {
    let mut parts = vec![String::new()];
    let mut depth = 0;
    for c in group.chars() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => break,
            '}' => depth -= 1,
            ',' if depth == 0 => {
                parts.push(String::new());
                continue;
            }
            _ => {}
        }
        parts.last_mut().expect("never empty").push(c);
    }
    parts
}

#[test]
fn every_import_is_one_that_the_page_allows() {
    let may = permissions(&page());
    let mut wrong = Vec::new();
    let mut used = BTreeSet::new();
    for source in sources().iter().filter(|s| s.room != "lib" && s.room != "main") {
        for (number, line) in &source.lines {
            for (other, parts) in mentions(line) {
                if other == source.room || other == "unit" {
                    continue;
                }
                let key = (source.room.clone(), other.clone());
                let allowed = match may.get(&key) {
                    None => false,
                    Some(May::All) => true,
                    Some(May::Only(names)) => !parts.is_empty() && parts.iter().all(|p| names.contains(p)),
                };
                used.insert(key);
                if !allowed {
                    wrong.push(format!(
                        "src/{}:{number}: `{}` may not know `{other}::{}`",
                        source.path,
                        source.room,
                        parts.join(", ")
                    ));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "see the table in docs/architecture.md:\n{}", wrong.join("\n"));
    assert!(used.len() > 30, "only {} pairs of rooms seen: the reader of imports is broken", used.len());
    let idle: Vec<_> = may.keys().filter(|key| !used.contains(*key)).map(|(a, b)| format!("{a} → {b}")).collect();
    assert!(idle.is_empty(), "the table allows what nobody uses: {}", idle.join(", "));
}

#[test]
fn no_file_climbs_out_of_its_room_by_super() {
    for source in sources() {
        for (number, line) in &source.lines {
            let climbs = line.matches("super::").count();
            assert!(climbs < source.depth, "src/{}:{number} leaves its room by `super`", source.path);
        }
    }
}

#[test]
fn what_belongs_to_some_rooms_stands_in_no_other() {
    let page = page();
    let rows = table(&page, "| what | only in |");
    let mut wrong = Vec::new();
    for row in &rows[2..] {
        let rooms: Vec<&str> = row[1].split_whitespace().collect();
        for source in sources().iter().filter(|s| !rooms.contains(&s.room.as_str()) && s.room != "main") {
            for word in ticked(&row[0]) {
                let named =
                    |line: &str| line.match_indices(&word).any(|(at, _)| starts_a_word(line, at) && ends_a_word(line, at, &word));
                let lines =
                    source.lines.iter().filter(|(_, line)| named(line) && !line.contains("#![") && !line.contains("forbid"));
                wrong.extend(lines.map(|(number, _)| format!("src/{}:{number}: {word}", source.path)));
            }
        }
    }
    assert!(wrong.is_empty(), "see the second table in docs/architecture.md:\n{}", wrong.join("\n"));
}

fn starts_a_word(line: &str, at: usize) -> bool {
    !line[..at].ends_with(|c: char| c.is_ascii_alphanumeric() || c == '_')
}

fn ends_a_word(line: &str, at: usize, word: &str) -> bool {
    !word.ends_with(|c: char| c.is_ascii_alphanumeric())
        || !line[at + word.len()..].starts_with(|c: char| c.is_ascii_alphanumeric() || c == '_')
}

#[test]
fn every_module_begins_with_what_it_is_for() {
    for source in sources() {
        assert!(source.whole.starts_with("//!"), "src/{} has no module documentation", source.path);
    }
}

#[test]
fn files_fit_in_a_head() {
    for source in sources() {
        let lines = source.whole.lines().count();
        assert!(lines <= 450, "src/{} has {lines} lines: split it by what it knows", source.path);
    }
}

#[test]
fn every_file_that_the_page_names_is_there() {
    let page = page();
    for row in &table(&page, "| room | what it is |")[2..] {
        for name in ticked(&row[2]) {
            let below = if name.starts_with("src/") { root().join(&name) } else { root().join("src").join(&name) };
            assert!(below.is_file(), "docs/architecture.md names {name}, which is not there");
        }
    }
}

#[test]
fn the_reader_of_imports_reads_what_it_should() {
    let of = |line| mentions(line);
    assert_eq!(of("use crate::net::facts::{self, Link};"), [("net".to_owned(), vec!["facts".to_owned()])]);
    assert_eq!(
        of("use crate::plan::{Class, budget::{Bounds, plan}, Spec};"),
        [("plan".to_owned(), vec!["Class".to_owned(), "budget".to_owned(), "Spec".to_owned()])]
    );
    assert_eq!(of("let x = crate::judge::of(y);"), [("judge".to_owned(), vec!["of".to_owned()])]);
}

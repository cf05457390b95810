//! Reading the table `[web]`: pages of public hosts that are fetched beside the far end's.

use crate::proto::web::page::PublicPage;
use crate::typed::table::{Document, Table};

/// The keys of `[web]`.
pub(super) const KEYS: &[&str] = &["hosts"];
/// So many at most: they are strangers' hosts, and share the line with the other checks.
const MOST: usize = 4;

/// Reads the table; what is wrong is noted and left out.
pub(super) fn read(document: &Document<'_>, table: &Table<'_, '_>) -> Vec<PublicPage> {
    let texts = table.octets_list("hosts", 1..=300);
    if let Some(over) = texts.get(MOST) {
        document.wrong(over, format!("at most {MOST} public hosts are fetched"));
    }
    let mut pages: Vec<PublicPage> = Vec::new();
    for text in texts.iter().take(MOST) {
        match PublicPage::parse(&String::from_utf8_lossy(&text.value)) {
            Ok(page) if pages.contains(&page) => document.wrong(text, "this page stands in the list twice"),
            Ok(page) => pages.push(page),
            Err(what) => document.wrong(text, what),
        }
    }
    pages
}

#[cfg(test)]
mod tests {
    use crate::profile::parse;

    fn read_of(table: &str) -> Result<Vec<String>, String> {
        let rest = "[[criterion]]\nname = \"c\"\nreading = \"link.carrier\"\nat_least = 1\nseverity = \"must\"\nbasis = \"x\"\n";
        let text = format!("name = \"t\"\ntitle = \"t\"\n{table}\n{rest}");
        let pages = parse(&text, "test").map_err(|error| error.to_string())?.pages;
        Ok(pages.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn public_hosts_are_off_until_they_are_named() {
        assert_eq!(read_of(""), Ok(Vec::new()));
        let two = "[web]\nhosts = [\"https://www.example.net/\", \"https://b.example.net:8443/x\"]";
        assert_eq!(read_of(two), Ok(vec!["https://www.example.net/".to_owned(), "https://b.example.net:8443/x".to_owned()]));
    }

    #[test]
    fn each_mistake_is_told_with_its_place() {
        let five = (0..5).map(|n| format!("\"https://h{n}.example.net/\"")).collect::<Vec<_>>().join(", ");
        for (hosts, words) in [
            (five.as_str(), "at most 4 public hosts"),
            ("\"http://www.example.net/\"", "begins with https://"),
            ("\"https://192.0.2.1/\"", "full name"),
            ("\"https://a.example.net/\", \"https://A.example.net\"", "twice"),
            ("7", "text in quotes"),
        ] {
            let error = read_of(&format!("[web]\nhosts = [{hosts}]")).expect_err(hosts);
            assert!(error.contains(words) && error.contains("hosts"), "{error}");
        }
    }
}

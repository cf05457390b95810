use std::path::Path;

use super::super::{Profile, ProfileError, load};
use crate::profile::Bound;

fn written(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

fn own(text: &str) -> Result<Profile, ProfileError> {
    let folder = tempfile::tempdir().unwrap();
    load(&written(folder.path(), "own.toml", text))
}

fn told(text: &str) -> String {
    own(text).expect_err("refused").to_string()
}

const HEAD: &str = "extends = \"fibre-250-50\"\nname = \"office\"\ntitle = \"Office\"\n";

#[test]
fn what_differs_replaces_what_is_extended_and_all_else_stays() {
    let text = format!(
        "{HEAD}drop = [\"own address\"]\n[sold]\ndown = 300\nbasis = \"contract\"\n[effort]\nstreams = 8\n\
         [[criterion]]\nname = \"delay\"\nat_most = 20\nbasis = \"contract\"\n\
         [[criterion]]\nname = \"rate up\"\nat_least = 45\nbasis = \"contract\"\n\
         [[criterion]]\nname = \"names validate\"\nreading = \"dns.validates\"\nat_least = 1\nseverity = \"note\"\nbasis = \"contract\"\n"
    );
    let (profile, base) = (own(&text).unwrap_or_else(|error| panic!("{error}")), load("fibre-250-50").unwrap());
    assert_eq!((profile.name.as_str(), profile.sold_mbit(), profile.effort.streams), ("office", (300.0, 50.0), 8));
    assert_eq!(profile.line, base.line);
    assert_eq!(profile.criteria.len(), base.criteria.len(), "one left out, one new");
    let of = |name: &str| profile.criteria.iter().find(|criterion| criterion.name == name);
    let delay = of("delay").unwrap();
    assert_eq!((delay.at_most, delay.reading.name, delay.basis.as_str()), (Some(20.0), "twoway.round_trip_p95", "contract"));
    assert_eq!(of("rate up").unwrap().at_least, Some(Bound::Absolute(45.0)), "in the place of the share");
    assert_eq!(of("rate down"), base.criteria.iter().find(|criterion| criterion.name == "rate down"));
    assert!(of("own address").is_none() && of("names validate").is_some());
    // The text that the record keeps stands by itself.
    assert!(!profile.text.contains("extends ="));
    let again = crate::profile::parse(&profile.text, "kept").unwrap_or_else(|error| panic!("{error}"));
    assert_eq!((again.criteria, again.digest), (profile.criteria, profile.digest));
}

#[test]
fn a_chain_is_followed_from_each_file_s_own_folder() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("base")).unwrap();
    written(folder.path(), "base/middle.toml", &HEAD.replace("office", "middle"));
    let top = written(folder.path(), "top.toml", &HEAD.replace("fibre-250-50", "base/middle.toml"));
    assert_eq!(load(&top).unwrap_or_else(|error| panic!("{error}")).name, "office");
}

#[test]
fn what_is_wrong_is_told_with_its_place_in_the_text_that_says_it() {
    for (text, parts) in [
        (HEAD.replace("fibre-250-50", "fiber-250-50"), vec!["perhaps meant: fibre-250-50"]),
        (format!("{HEAD}[[criterion]]\nname = \"delay\"\nat_mots = 20\n"), vec!["line 6", "perhaps meant: at_most"]),
        (format!("{HEAD}[[criterion]]\nname = \"delay\"\nat_most = 20\n"), vec!["line 4", "another limit needs its own basis"]),
        (format!("{HEAD}[[criterion]]\nat_most = 20\nbasis = \"x\"\n"), vec!["which criterion is meant"]),
        (format!("{HEAD}drop = [\"own adress\"]\n"), vec!["line 4", "perhaps meant: own address"]),
        (format!("{HEAD}[sold]\ndown = 300\n"), vec!["line 4", "other rates need their own basis"]),
        ("extends = \"fibre-250-50\"\n".to_owned(), vec!["\"name\" is missing", "\"title\" is missing"]),
        ("extends = 4\nname = \"a\"\ntitle = \"a\"\n".to_owned(), vec!["line 1", "text in quotes"]),
        // Only both texts together are wrong.
        (format!("{HEAD}[[criterion]]\nname = \"new\"\nreading = \"link.mtu\"\n"), vec!["with what it extends", "needs a limit"]),
    ] {
        let message = told(&text);
        assert!(parts.iter().all(|part| message.contains(part)), "{parts:?} in {message}");
    }
}

#[test]
fn a_circle_and_an_endless_chain_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    for (one, other) in [("a", "b"), ("b", "a"), ("self", "self")] {
        written(folder.path(), &format!("{one}.toml"), &HEAD.replace("fibre-250-50", &format!("./{other}.toml")));
    }
    for name in ["a", "self"] {
        let message = load(folder.path().join(format!("{name}.toml")).to_str().unwrap()).expect_err("a circle").to_string();
        assert!(message.contains("leads in a circle"), "{message}");
    }
    for n in 0..12 {
        written(folder.path(), &format!("{n}.toml"), &HEAD.replace("fibre-250-50", &format!("./{}.toml", n + 1)));
    }
    let message = load(folder.path().join("0.toml").to_str().unwrap()).expect_err("too long").to_string();
    assert!(message.contains("too long to be meant"), "{message}");
}

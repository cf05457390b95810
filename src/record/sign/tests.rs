use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use super::*;
use crate::record::store;

fn golden(name: &str) -> Record {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/golden/{name}.json"));
    store::read(&path).expect("a kept record")
}

fn now() -> Timestamp {
    "2026-11-25T10:01:00Z".parse().expect("a time")
}

/// A record signed and laid out as on disk, with the keyring of its signer.
fn signed(name: &str) -> (Record, String, Keyring) {
    let signer = Signer::from_secret(&[7; 32]);
    let mut record = golden(name);
    signer.sign(&mut record, now());
    let text = serde_json::to_string_pretty(&record).expect("JSON");
    (record, text, Keyring { own: signer.public_key(), trusted: Vec::new() })
}

fn found(text: &str, keyring: &Keyring) -> Finding {
    let record = store::parse(text.as_bytes(), Path::new("visit.json")).expect("a record");
    check(text.as_bytes(), &record, keyring)
}

#[test]
fn the_vectors_of_rfc_8032_section_7_1_hold() {
    // Tests 1 to 3: secret, public key, message, signature.
    let rows = [
        (
            "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
            "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
            "",
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
        ),
        (
            "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
            "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
            "72",
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
        ),
        (
            "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
            "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
            "af82",
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
        ),
    ];
    for (secret, public, message, signature) in rows {
        let secret: [u8; 32] = from_hexadecimal(secret).expect("digits").try_into().expect("32 octets");
        let Signer::Key(key) = Signer::from_secret(&secret) else { panic!("a key") };
        assert_eq!(PublicKey(key.verifying_key()).digits(), public);
        let message = from_hexadecimal(message).expect("digits");
        assert_eq!(hexadecimal(&key.sign(&message).to_bytes()), signature);
        let public = PublicKey::from_digits(public).expect("a key");
        assert!(public.0.verify_strict(&message, &key.sign(&message)).is_ok());
    }
}

#[test]
fn a_signed_record_is_untouched_however_it_is_laid_out_and_after_reading() {
    for name in ["pass", "fail", "not-proven", "incomplete", "dead-line"] {
        let (record, text, keyring) = signed(name);
        let finding = found(&text, &keyring);
        assert!(matches!(&finding, Finding::Untouched { key } if key.standing == Standing::Own), "{name}: {finding:?}");
        let value: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(found(&value.to_string(), &keyring), finding, "{name}, in one line and in another order");
        let again = serde_json::to_string(&store::parse(text.as_bytes(), Path::new("x")).expect("read")).expect("JSON");
        assert_eq!(found(&again, &keyring), finding, "{name}, written again by this version");
        assert_eq!(record.unsigned_because, None);
    }
}

#[test]
fn any_change_of_any_leaf_shows() {
    let (_, text, keyring) = signed("dead-line");
    let value: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let mut paths = Vec::new();
    leaves(&value, String::new(), &mut paths);
    let mut seen = 0;
    for path in paths.iter().filter(|path| *path != "/schema") {
        let mut changed = value.clone();
        let leaf = changed.pointer_mut(path).expect("a leaf");
        *leaf = match leaf.clone() {
            serde_json::Value::String(text) if path.ends_with("/signed") || path.ends_with("ed") && text.contains('T') => {
                "2026-11-25T10:00:01.5Z".into()
            }
            serde_json::Value::String(text) => format!("{text}0").into(),
            serde_json::Value::Bool(flag) => (!flag).into(),
            serde_json::Value::Number(number) => (number.as_f64().expect("a number") as u64 + 1).into(),
            other => other,
        };
        // Some changes are no record any more: reading refuses those.
        let Ok(record) = store::parse(changed.to_string().as_bytes(), Path::new("x")) else { continue };
        let finding = check(changed.to_string().as_bytes(), &record, &keyring);
        assert!(matches!(finding, Finding::Altered { .. } | Finding::Unreadable { .. }), "{path}: {finding:?}");
        seen += 1;
    }
    assert!(seen > 40, "only {seen} leaves were tried");
}

fn leaves(value: &serde_json::Value, path: String, all: &mut Vec<String>) {
    match value {
        serde_json::Value::Object(map) => map.iter().for_each(|(name, inner)| leaves(inner, format!("{path}/{name}"), all)),
        serde_json::Value::Array(items) => {
            items.iter().enumerate().for_each(|(i, inner)| leaves(inner, format!("{path}/{i}"), all))
        }
        serde_json::Value::Null => {}
        _ => all.push(path),
    }
}

#[test]
fn a_field_of_a_later_version_is_covered_and_a_doubled_name_shows() {
    let (_, text, keyring) = signed("pass");
    let added = text.replacen('{', "{\"weather\": \"rain\", ", 1);
    assert!(matches!(found(&added, &keyring), Finding::Altered { .. }));
    let doubled = text.replacen("\"facts\": {", "\"facts\": {\"twice\": 1, \"twice\": 1, ", 1);
    if doubled != text {
        assert!(matches!(found(&doubled, &keyring), Finding::Altered { why } if why.contains("stands twice")));
    }
}

#[test]
fn whose_key_it_was_is_told_and_a_taken_off_signature_too() {
    let (mut record, text, own) = signed("fail");
    let key = own.own.expect("a key");
    let known = Keyring { own: None, trusted: vec![keys::Trusted { name: "van-7".into(), key }] };
    let standing = |keyring: &Keyring| match found(&text, keyring) {
        Finding::Untouched { key } => key.standing,
        other => panic!("{other:?}"),
    };
    assert_eq!(standing(&known), Standing::Known("van-7".into()));
    assert_eq!(standing(&Keyring::default()), Standing::Unknown);
    record.signature = None;
    let bare = serde_json::to_string(&record).expect("JSON");
    assert_eq!(found(&bare, &own), Finding::Unsigned { why: None });
    Signer::Unable("no home".into()).sign(&mut record, now());
    let said = serde_json::to_string(&record).expect("JSON");
    assert_eq!(found(&said, &own), Finding::Unsigned { why: Some("no home".into()) });
}

#[test]
fn a_number_that_has_no_canonical_form_leaves_the_record_unsigned_and_whole() {
    let mut record = golden("pass");
    record.checks[0].outcome.fact("huge", u64::MAX);
    Signer::from_secret(&[7; 32]).sign(&mut record, now());
    assert_eq!(record.signature, None);
    assert!(record.unsigned_because.expect("a reason").contains("beyond 2^53 - 1"));
}

#[test]
fn a_key_that_any_signature_fits_is_refused() {
    // The neutral element and a point of order 8 (RFC 8032 section 5.1.7 with 8 as the cofactor).
    let neutral = format!("01{}", "00".repeat(31));
    let order_8 = "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a";
    for digits in [neutral.as_str(), order_8, "00", "zz", ""] {
        assert_eq!(PublicKey::from_digits(digits), None, "{digits}");
    }
}

fn secret() -> std::io::Result<[u8; 32]> {
    Ok([9; 32])
}

#[test]
fn the_key_is_made_once_for_its_owner_only_and_an_exposed_one_is_not_used() {
    let folder = tempfile::tempdir().expect("a folder");
    let directory = folder.path().join("state/keys");
    let first = keys::own(&directory, secret).expect("made").public_key();
    let again = keys::own(&directory, || panic!("made twice")).expect("read").public_key();
    assert_eq!(first, again);
    let mode = |path: &Path| std::fs::metadata(path).expect("there").permissions().mode() & 0o777;
    assert_eq!((mode(&directory), mode(&directory.join("own"))), (0o700, 0o600));
    assert_eq!(std::fs::read_dir(&directory).expect("readable").count(), 1, "nothing is left beside it");
    std::fs::set_permissions(directory.join("own"), std::fs::Permissions::from_mode(0o640)).expect("set");
    assert!(matches!(keys::own(&directory, secret), Err(keys::KeyError::Exposed(_))));
    std::fs::set_permissions(directory.join("own"), std::fs::Permissions::from_mode(0o600)).expect("set");
    std::fs::write(directory.join("own"), "c0ffee").expect("written");
    let refusal = keys::own(&directory, secret).expect_err("refused").to_string();
    assert!(!refusal.contains("c0ffee"), "{refusal}");
}

#[test]
fn trusted_keys_are_added_listed_and_taken_off() {
    let folder = tempfile::tempdir().expect("a folder");
    let directory: PathBuf = folder.path().join("keys");
    let key = Signer::from_secret(&[3; 32]).public_key().expect("a key");
    keys::trust(&directory, "van-7", &key.digits()).expect("added");
    assert_eq!(Keyring::read(&directory).expect("read").standing(&key), Standing::Known("van-7".into()));
    assert!(keys::trust(&directory, "van-8", &key.digits()).expect_err("taken").to_string().contains("already trusted: van-7"));
    assert!(keys::trust(&directory, "two words", &key.digits()).is_err());
    assert!(keys::distrust(&directory, "van-9").is_err());
    keys::distrust(&directory, "van-7").expect("removed");
    assert_eq!(Keyring::read(&directory).expect("read").standing(&key), Standing::Unknown);
    std::fs::write(directory.join("trusted"), "# a remark\nvan-7 12\n").expect("written");
    assert!(Keyring::read(&directory).expect_err("refused").to_string().contains("line 2 of"));
}

//! The far end's zone as an independent reader validates it: delv, which follows RFC 4035 section 5 itself.

use doorstep::practice::topology::FAR_END_V4;
use doorstep::practice::{Node, PracticeLine};

use crate::support::line;

/// What delv says of a name of the zone, given the zone's DS record as its only trust.
fn delv(line: &PracticeLine, folder: &tempfile::TempDir, name: &str, kind: &str) -> String {
    let ds = line.far_end_zone_ds().expect("the far end has a zone");
    // `ZONE IN DS TAG ALGORITHM DIGEST-TYPE DIGEST` (RFC 4034 section 5.3).
    let words: Vec<&str> = ds.split(' ').collect();
    let [zone, _, _, tag, algorithm, digest_type, digest] = words[..] else { panic!("{ds}") };
    let anchor = folder.path().join("anchor.conf");
    let text = format!("trust-anchors {{ \"{zone}\" static-ds {tag} {algorithm} {digest_type} \"{digest}\"; }};\n");
    std::fs::write(&anchor, text).expect("a file");
    let mut command = line.namespace(Node::Resolvers).command("delv");
    command.arg(format!("@{FAR_END_V4}")).arg("-a").arg(&anchor).arg(format!("+root={zone}"));
    let output = command.arg("+nomtrace").arg(name).arg(kind).output().expect("delv, of the package bind9-dnsutils");
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

#[test]
fn an_independent_reader_validates_what_is_true_and_refuses_what_is_not() {
    let (line, folder) = (line(None), tempfile::tempdir().expect("a folder"));
    let rows = [
        ("a-1.u.probe.example.net", "A", "; fully validated"),
        ("l.big.probe.example.net", "A", "; fully validated"),
        ("l.t3000.probe.example.net", "TXT", "; fully validated"),
        ("l.run.who.probe.example.net", "TXT", "; fully validated"),
        ("probe.example.net", "DNSKEY", "; fully validated"),
        ("probe.example.net", "SOA", "; fully validated"),
        ("a-1.u.probe.example.net", "AAAA", "; negative response, fully validated"),
        ("u.probe.example.net", "A", "; negative response, fully validated"),
        ("nothing.probe.example.net", "A", "; negative response, fully validated"),
        ("a.b.nothing.probe.example.net", "A", "; negative response, fully validated"),
        ("a.b.u.probe.example.net", "A", "; negative response, fully validated"),
        ("x.bad.probe.example.net", "A", "RRSIG failed to verify"),
        ("x.plain.probe.example.net", "A", "; unsigned answer"),
        ("x.plain.probe.example.net", "AAAA", "; negative response, unsigned answer"),
    ];
    let mut wrong = Vec::new();
    for (name, kind, want) in rows {
        let said = delv(&line, &folder, name, kind);
        if !said.contains(want) {
            wrong.push(format!("{name} {kind}: wanted `{want}`, delv says:\n{said}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

//! Reading the table `[sip]`: the SIP service of a voice line.

use rustls_pki_types::CertificateDer;
use rustls_pki_types::pem::PemObject;

use crate::proto::sip::service::{Domain, Service};
use crate::typed::table::{Document, Table};
use crate::wire::sip::Transport;

/// The keys of `[sip]`.
pub(super) const KEYS: &[&str] = &["domain", "transports", "account", "authority"];
/// Octets of the authorities' text: a few certificates.
const LONGEST_PEM: usize = 64 * 1024;
/// As they are written.
const TRANSPORTS: &[(&str, Transport)] = &[("udp", Transport::Udp), ("tcp", Transport::Tcp), ("tls", Transport::Tls)];

/// Reads the table; what is wrong is noted.
pub(super) fn read(document: &Document<'_>, table: &Table<'_, '_>) -> Option<Service> {
    let text = table.required_text("domain", "the domain of the SIP service, such as voice.example.net, or host:port");
    let domain = text.and_then(|text| Domain::parse(&text.value).map_err(|right| document.wrong(&text, right)).ok());
    let mut transports = table.words("transports", TRANSPORTS);
    if let Some(place) = table.place("transports") {
        let all = transports.len();
        let mut seen = Vec::new();
        transports.retain(|transport| {
            !seen.contains(transport) && {
                seen.push(*transport);
                true
            }
        });
        if transports.len() < all {
            document.wrong(&place, "a transport stands in the list twice");
        } else if transports.is_empty() {
            document.wrong(&place, "name at least one of udp, tcp, tls, or leave the list out");
        }
    } else {
        // RFC 3261 section 18: every SIP element has both.
        transports = vec![Transport::Udp, Transport::Tcp];
    }
    let needs_account = table.word("account", &[("needed", true), ("none", false)]).unwrap_or(false);
    let authorities = table.text("authority").filter(|text| {
        let certificates: Vec<_> = CertificateDer::pem_slice_iter(text.value.as_bytes()).collect();
        let is_right = text.value.len() <= LONGEST_PEM && !certificates.is_empty() && certificates.iter().all(Result::is_ok);
        if !is_right {
            document.wrong(
                text,
                "write the authority's certificate as PEM, from its BEGIN line to its END line, between three quotes",
            );
        }
        is_right
    });
    Some(Service { domain: domain?, transports, needs_account, authorities: authorities.map(|text| text.value) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::parse;

    fn read_of(table: &str) -> Result<Option<Service>, String> {
        let rest = "[[criterion]]\nname = \"c\"\nreading = \"sip.answered\"\nat_least = 1\nseverity = \"must\"\nbasis = \"x\"\n";
        let text = format!("name = \"t\"\ntitle = \"t\"\n{table}\n{rest}");
        Ok(parse(&text, "test").map_err(|error| error.to_string())?.sip)
    }

    #[test]
    fn a_service_is_off_until_its_domain_is_named() {
        assert_eq!(read_of(""), Ok(None));
        let usual = read_of("[sip]\ndomain = \"voice.example.net\"").unwrap().unwrap();
        assert_eq!(
            (usual.transports, usual.needs_account, usual.authorities),
            (vec![Transport::Udp, Transport::Tcp], false, None)
        );
        let made = rcgen::generate_simple_self_signed(vec!["voice.example.net".to_owned()]).unwrap().cert.pem();
        let whole = format!(
            "[sip]\ndomain = \"voice.example.net\"\ntransports = [\"tls\"]\naccount = \"needed\"\nauthority = \"\"\"\n{made}\"\"\""
        );
        let whole = read_of(&whole).unwrap().unwrap();
        assert_eq!((whole.transports, whole.needs_account), (vec![Transport::Tls], true));
        assert!(whole.authorities.is_some_and(|pem| pem.contains("BEGIN CERTIFICATE")));
    }

    #[test]
    fn each_mistake_is_told_with_its_place() {
        for (keys, key, words) in [
            ("", "domain", "voice.example.net"),
            ("domain = \"localhost\"", "domain", "voice.example.net"),
            ("domain = \"a.example.net\"\ntransports = [\"udp\", \"udp\"]", "transports", "twice"),
            ("domain = \"a.example.net\"\ntransports = []", "transports", "at least one"),
            ("domain = \"a.example.net\"\ntransports = [\"sctp\"]", "transports", "udp"),
            ("domain = \"a.example.net\"\naccount = \"yes\"", "account", "needed"),
            ("domain = \"a.example.net\"\nauthority = \"x\"", "authority", "PEM"),
            ("domain = \"a.example.net\"\npassword = \"x\"", "password", "authority"),
        ] {
            let error = read_of(&format!("[sip]\n{keys}")).expect_err(keys);
            assert!(error.contains(words) && error.contains(key), "{keys}: {error}");
        }
    }
}

//! The key that signs a far end's zone, and signatures made with it (RFC 4034, RFC 4035; ECDSA P-256 by RFC 6605).
//!
//! One key signs all, made at the first start and kept beside the certificate: its digest (DS, RFC 4509) is what the parent
//! zone publishes. Signatures are made as answers are given, since the zone has names that nobody can list. It must not know
//! names of the zone.

use std::fmt;
use std::path::Path;
use std::sync::Arc;
use std::time::SystemTime;

use hickory_proto::dnssec::crypto::EcdsaSigningKey;
use hickory_proto::dnssec::rdata::sig::SigInput;
use hickory_proto::dnssec::rdata::{DNSKEY, DNSSECRData, DS, RRSIG};
use hickory_proto::dnssec::{Algorithm, DigestType, SigningKey, TBS};
use hickory_proto::rr::{DNSClass, Name, RData, Record, SerialNumber};
use rustls_pki_types::PrivateKeyDer;
use rustls_pki_types::pem::PemObject;

use super::super::certificate::{self, IdentityError};

/// Zone key and secure entry point (RFC 4034 section 2.1.1): one key is both.
const FLAGS: u16 = 257;
/// Signatures hold from an hour ago, for clocks that are slow, for a day: far longer than any time to live of the zone *(ours)*.
const VALID_BEFORE: u32 = 3600;
const VALID_AFTER: u32 = 86_400;

/// The key.
#[derive(Clone)]
pub struct ZoneKey {
    signing: Arc<EcdsaSigningKey>,
    public: DNSKEY,
    tag: u16,
}

impl fmt::Debug for ZoneKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ZoneKey").field("tag", &self.tag).finish_non_exhaustive()
    }
}

impl ZoneKey {
    /// A new one that is kept nowhere.
    ///
    /// # Errors
    /// When the system has no random octets.
    pub fn fresh() -> Result<Self, IdentityError> {
        let made = rcgen::KeyPair::generate().map_err(|error| IdentityError::Make(error.to_string()))?;
        let key = PrivateKeyDer::try_from(made.serialize_der()).map_err(|error| IdentityError::Make(error.to_owned()))?;
        Self::of(&key).map_err(IdentityError::Make)
    }

    /// The one in the directory, which exists; made there when there is none (`zone-key.pem` with mode 0600).
    ///
    /// # Errors
    /// When the file can't be read, written or understood.
    pub fn in_directory(directory: &Path) -> Result<Self, IdentityError> {
        let path = directory.join("zone-key.pem");
        if !path.exists() {
            let made = rcgen::KeyPair::generate().map_err(|error| IdentityError::Make(error.to_string()))?;
            certificate::write(&path, 0o600, &made.serialize_pem())?;
        }
        let key = PrivateKeyDer::from_pem_file(&path).map_err(|error| match error {
            rustls_pki_types::pem::Error::Io(source) => IdentityError::File { doing: "read", path: path.clone(), source },
            other => IdentityError::Content { path: path.clone(), what: other.to_string() },
        })?;
        Self::of(&key).map_err(|what| IdentityError::Content { path, what })
    }

    fn of(key: &PrivateKeyDer<'_>) -> Result<Self, String> {
        let say = |error: &dyn fmt::Display| error.to_string();
        let signing = EcdsaSigningKey::from_key_der(key, Algorithm::ECDSAP256SHA256).map_err(|e| say(&e))?;
        let public = DNSKEY::with_flags(FLAGS, signing.to_public_key().map_err(|e| say(&e))?);
        let tag = public.calculate_key_tag().map_err(|e| say(&e))?;
        Ok(Self { signing: Arc::new(signing), public, tag })
    }

    /// The key as the zone publishes it.
    pub(super) fn dnskey(&self) -> RData {
        RData::DNSSEC(DNSSECRData::DNSKEY(self.public.clone()))
    }

    /// What the parent of this zone has to publish, as a line of a zone file: SHA-256 digest (RFC 4509).
    pub fn ds_line(&self, zone: &str) -> Option<String> {
        let mut name = Name::from_ascii(zone).ok()?.to_lowercase();
        name.set_fqdn(true);
        let digest = self.public.to_digest(&name, DigestType::SHA256).ok()?;
        let ds = DS::new(self.tag, Algorithm::ECDSAP256SHA256, DigestType::SHA256, digest.as_ref().to_owned());
        Some(format!("{name} IN DS {ds}"))
    }

    /// The signature over the records of one name and type. `is_true` false spoils its last octet.
    pub(super) fn sign(&self, zone: &Name, records: &[Record], is_true: bool) -> Option<Record> {
        let first = records.first()?;
        let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).ok()?.as_secs() as u32;
        let input = SigInput {
            type_covered: first.record_type(),
            algorithm: Algorithm::ECDSAP256SHA256,
            num_labels: first.name.num_labels(),
            original_ttl: first.ttl,
            sig_expiration: SerialNumber::new(now.wrapping_add(VALID_AFTER)),
            sig_inception: SerialNumber::new(now.wrapping_sub(VALID_BEFORE)),
            key_tag: self.tag,
            signer_name: zone.clone(),
        };
        let signed = TBS::from_input(&first.name, DNSClass::IN, &input, records.iter()).ok()?;
        let mut signature = self.signing.sign(&signed).ok()?;
        if let Some(last) = signature.last_mut().filter(|_| !is_true) {
            *last ^= 1;
        }
        let data = RData::DNSSEC(DNSSECRData::RRSIG(RRSIG::from_sig(input, signature)));
        Some(Record::from_rdata(first.name.clone(), first.ttl, data))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn the_key_of_the_first_start_is_kept_and_is_the_owners_only() {
        let dir = tempfile::tempdir().unwrap();
        let first = ZoneKey::in_directory(dir.path()).unwrap().ds_line("probe.example.net").unwrap();
        assert_eq!(ZoneKey::in_directory(dir.path()).unwrap().ds_line("probe.example.net").unwrap(), first);
        // RFC 6605 section 4: algorithm 13; RFC 4509: digest type 2, 32 octets.
        assert!(first.starts_with("probe.example.net. IN DS ") && first.contains(" 13 2 "), "{first}");
        assert_eq!(first.rsplit(' ').next().unwrap().len(), 64, "{first}");
        let path = dir.path().join("zone-key.pem");
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        std::fs::write(&path, "nonsense").unwrap();
        assert!(matches!(ZoneKey::in_directory(dir.path()), Err(IdentityError::Content { .. })));
    }
}

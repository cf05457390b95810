//! The far end's certificate: made at the first start, kept with its key in the state directory, pinned by agents.
//!
//! Agents pin the SHA-256 of the certificate and ignore its names, since far ends often have addresses only. It must not
//! know who connects.

use std::fs;
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use ring::digest::{SHA256, digest};
use rustls::ServerConfig;
use rustls_pki_types::pem::PemObject;
use rustls_pki_types::{CertificateDer, PrivateKeyDer};

/// A certificate and its key.
#[derive(Debug)]
pub struct Identity {
    certificate: CertificateDer<'static>,
    key: PrivateKeyDer<'static>,
}

/// Why there is no certificate.
#[derive(Debug, thiserror::Error)]
pub enum IdentityError {
    /// A file can't be read or written.
    #[error("cannot {doing} {}: {source}", path.display())]
    File {
        /// "read" or "write".
        doing: &'static str,
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A file does not hold what it should.
    #[error("{} is not a PEM file of this far end: {what}; move it away to have a new one made (agents then need a new invitation)", path.display())]
    Content {
        /// Which.
        path: PathBuf,
        /// Why.
        what: String,
    },
    /// Making one failed.
    #[error("cannot make a certificate: {0}")]
    Make(String),
}

impl Identity {
    /// A new one that is kept nowhere.
    ///
    /// # Errors
    /// When the system has no random octets.
    pub fn fresh() -> Result<Self, IdentityError> {
        let made = make()?;
        let key = PrivateKeyDer::try_from(made.signing_key.serialize_der()).map_err(|e| IdentityError::Make(e.to_owned()))?;
        Ok(Self { certificate: made.cert.der().clone(), key })
    }

    /// The one in the directory; made there when there is none (`certificate.pem`, and `key.pem` with mode 0600).
    ///
    /// # Errors
    /// When the files can't be read, written or understood.
    pub fn in_directory(directory: &Path) -> Result<Self, IdentityError> {
        let (certificate_path, key_path) = (directory.join("certificate.pem"), directory.join("key.pem"));
        if !certificate_path.exists() && !key_path.exists() {
            let made = make()?;
            fs::DirBuilder::new().recursive(true).mode(0o700).create(directory).map_err(|source| IdentityError::File {
                doing: "make",
                path: directory.to_owned(),
                source,
            })?;
            write(&key_path, 0o600, &made.signing_key.serialize_pem())?;
            write(&certificate_path, 0o644, &made.cert.pem())?;
        }
        let content = |path: &Path, error: rustls_pki_types::pem::Error| match error {
            rustls_pki_types::pem::Error::Io(source) => IdentityError::File { doing: "read", path: path.to_owned(), source },
            other => IdentityError::Content { path: path.to_owned(), what: other.to_string() },
        };
        let certificate = CertificateDer::from_pem_file(&certificate_path).map_err(|e| content(&certificate_path, e))?;
        let key = PrivateKeyDer::from_pem_file(&key_path).map_err(|e| content(&key_path, e))?;
        Ok(Self { certificate, key })
    }

    /// SHA-256 of the certificate, what agents pin.
    pub fn fingerprint(&self) -> [u8; 32] {
        fingerprint(&self.certificate)
    }

    /// The server's side of TLS: 1.3 only (RFC 8446).
    ///
    /// # Errors
    /// When certificate and key do not belong together.
    pub fn server_config(&self) -> Result<ServerConfig, rustls::Error> {
        let mut config = ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
            .with_protocol_versions(&[&rustls::version::TLS13])?
            .with_no_client_auth()
            .with_single_cert(vec![self.certificate.clone()], self.key.clone_key())?;
        // Who offers no protocol gets HTTP/1.1 (RFC 7301).
        config.alpn_protocols = vec![b"h2".to_vec(), b"http/1.1".to_vec()];
        Ok(config)
    }
}

fn make() -> Result<rcgen::CertifiedKey<rcgen::KeyPair>, IdentityError> {
    let names = ["doorstep-far-end".to_owned()];
    rcgen::generate_simple_self_signed(names).map_err(|error| IdentityError::Make(error.to_string()))
}

/// SHA-256 of a certificate.
pub(super) fn fingerprint(certificate: &CertificateDer<'_>) -> [u8; 32] {
    let mut octets = [0; 32];
    octets.copy_from_slice(digest(&SHA256, certificate).as_ref());
    octets
}

pub(super) fn write(path: &Path, mode: u32, text: &str) -> Result<(), IdentityError> {
    let write = || -> io::Result<()> {
        let mut file = fs::OpenOptions::new().write(true).create_new(true).mode(mode).open(path)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()
    };
    write().map_err(|source| IdentityError::File { doing: "write", path: path.to_owned(), source })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn the_certificate_of_the_first_start_is_kept_and_the_key_is_the_owners_only() {
        let dir = tempfile::tempdir().unwrap();
        let state = dir.path().join("state");
        let first = Identity::in_directory(&state).unwrap();
        assert_eq!(Identity::in_directory(&state).unwrap().fingerprint(), first.fingerprint());
        assert_eq!(fs::metadata(state.join("key.pem")).unwrap().permissions().mode() & 0o777, 0o600);
        first.server_config().unwrap();
        fs::write(state.join("key.pem"), "nonsense").unwrap();
        assert!(matches!(Identity::in_directory(&state), Err(IdentityError::Content { .. })));
    }
}

//! Pinning: the far end's certificate is the one whose SHA-256 the invitation holds, whatever its names and dates.
//!
//! The handshake's signature is still checked: a certificate is public, only its key's owner may use it.

use std::sync::{Arc, Mutex, PoisonError};

use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, ring, verify_tls12_signature, verify_tls13_signature};
use rustls::{CertificateError, ClientConfig, DigitallySignedStruct, Error, SignatureScheme};
use rustls_pki_types::{CertificateDer, ServerName, UnixTime};

use crate::farend::certificate::fingerprint;
use crate::farend::invitation::format_fingerprint;

/// The pinned certificate, and what was shown instead of it.
#[derive(Debug)]
pub(super) struct Pin {
    wanted: [u8; 32],
    refused: Mutex<Option<[u8; 32]>>,
    provider: Arc<CryptoProvider>,
}

impl Pin {
    pub(super) fn new(wanted: [u8; 32]) -> Self {
        Self { wanted, refused: Mutex::default(), provider: Arc::new(ring::default_provider()) }
    }

    /// Fingerprint of a certificate that was refused, if one was.
    pub(super) fn refused(&self) -> Option<String> {
        self.refused.lock().unwrap_or_else(PoisonError::into_inner).as_ref().map(format_fingerprint)
    }

    /// The client's side of TLS: 1.3 only, this certificate only.
    pub(super) fn client_config(self: &Arc<Self>) -> Result<ClientConfig, Error> {
        let verifier: Arc<dyn ServerCertVerifier> = Arc::<Self>::clone(self);
        Ok(ClientConfig::builder_with_provider(Arc::clone(&self.provider))
            .with_protocol_versions(&[&rustls::version::TLS13])?
            .dangerous()
            .with_custom_certificate_verifier(verifier)
            .with_no_client_auth())
    }
}

impl ServerCertVerifier for Pin {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        _intermediates: &[CertificateDer<'_>],
        _server_name: &ServerName<'_>,
        _ocsp_response: &[u8],
        _now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        let found = fingerprint(end_entity);
        if found == self.wanted {
            return Ok(ServerCertVerified::assertion());
        }
        *self.refused.lock().unwrap_or_else(PoisonError::into_inner) = Some(found);
        Err(Error::InvalidCertificate(CertificateError::ApplicationVerificationFailure))
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls12_signature(message, cert, dss, &self.provider.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls13_signature(message, cert, dss, &self.provider.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider.signature_verification_algorithms.supported_schemes()
    }
}

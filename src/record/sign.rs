//! Signatures over records: Ed25519 (RFC 8032) over the canonical form, so that a record tells a year later whether it is as written.
//!
//! What is signed is the whole record in its canonical form ([`super::canonical`], RFC 8785), less the one member
//! `signature.value`: the key, the way and the time stand in `signature` and are signed with the rest. A record is checked from the
//! document's octets and not from the types, so a field that this version does not know is covered too. This room must not know the
//! time or where chance comes from: both are handed in.
//!
//! A signature proves that whoever holds the key wrote these figures, no more: the clock and the agent are the test set's own.

pub mod keys;

use std::fmt;

use ed25519_dalek::{Signature as Mark, Signer as _, SigningKey, VerifyingKey};
use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Record;
use super::canonical::{Document, NoForm};
use crate::unit::digest::{from_hexadecimal, hexadecimal, sha256};
use keys::Keyring;

/// The algorithm of every signature of this version: pure Ed25519, RFC 8032 section 5.1.
pub const ALGORITHM: &str = "Ed25519";
/// What is signed.
pub const FORM: &str = "RFC 8785 of this record without signature.value";
/// Octets of a key's short name.
const ID_OCTETS: usize = 8;

/// A record's signature.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Signature {
    /// Always [`ALGORITHM`].
    pub algorithm: String,
    /// Short name of the key: the first 8 octets of the SHA-256 over the public key, in hexadecimal.
    pub key: String,
    /// The public key, 32 octets in hexadecimal (RFC 8032 section 5.1.5).
    pub public_key: String,
    /// What is signed: always [`FORM`].
    pub form: String,
    /// When, by the test set's clock.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub signed: Timestamp,
    /// The signature, 64 octets in hexadecimal (RFC 8032 section 5.1.6).
    pub value: String,
}

/// A public key. Only keys that RFC 8032 lets stand for one signer are ever made of octets or digits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PublicKey(VerifyingKey);

impl PublicKey {
    /// From 64 hexadecimal digits; `None` for anything that is no point of the curve, and for points of small order, which any
    /// signature would fit.
    pub fn from_digits(digits: &str) -> Option<Self> {
        let octets: [u8; 32] = from_hexadecimal(digits)?.try_into().ok()?;
        let key = VerifyingKey::from_bytes(&octets).ok()?;
        (!key.is_weak()).then_some(Self(key))
    }

    /// 64 hexadecimal digits.
    pub fn digits(&self) -> String {
        hexadecimal(self.0.as_bytes())
    }

    /// The short name: enough to tell keys apart, not to trust one.
    pub fn id(&self) -> String {
        hexadecimal(&sha256(self.0.as_bytes())[..ID_OCTETS])
    }
}

/// Signs records, or says why it can't. `Debug` shows no secret.
#[derive(Clone)]
pub enum Signer {
    /// With this key.
    Key(Box<SigningKey>),
    /// Not at all, for this reason; the record says so.
    Unable(String),
}

impl fmt::Debug for Signer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Key(key) => write!(f, "Signer({})", PublicKey(key.verifying_key()).id()),
            Self::Unable(why) => write!(f, "Signer(none: {why})"),
        }
    }
}

impl Signer {
    /// From a secret of 32 octets (RFC 8032 section 5.1.5).
    pub fn from_secret(secret: &[u8; 32]) -> Self {
        Self::Key(Box::new(SigningKey::from_bytes(secret)))
    }

    /// The public key, if there is one.
    pub fn public_key(&self) -> Option<PublicKey> {
        match self {
            Self::Key(key) => Some(PublicKey(key.verifying_key())),
            Self::Unable(_) => None,
        }
    }

    /// Signs a record as it is now. Never fails: a record that can't be signed says why in `unsigned_because`.
    pub fn sign(&self, record: &mut Record, now: Timestamp) {
        record.signature = None;
        record.unsigned_because = None;
        let done = match self {
            Self::Key(key) => sign(key, record, now),
            Self::Unable(why) => Err(why.clone()),
        };
        if let Err(why) = done {
            record.signature = None;
            record.unsigned_because = Some(why);
        }
    }
}

fn sign(key: &SigningKey, record: &mut Record, now: Timestamp) -> Result<(), String> {
    let public = PublicKey(key.verifying_key());
    record.signature = Some(Signature {
        algorithm: ALGORITHM.to_owned(),
        key: public.id(),
        public_key: public.digits(),
        form: FORM.to_owned(),
        signed: now,
        value: String::new(),
    });
    let document = serde_json::to_vec(record).map_err(|error| error.to_string())?;
    let form = signed_form(&document).map_err(|error| error.to_string())?;
    let value = hexadecimal(&key.sign(&form).to_bytes());
    if let Some(signature) = &mut record.signature {
        signature.value = value;
    }
    Ok(())
}

/// The octets that a record's signature is over.
///
/// # Errors
/// When the document has no canonical form.
pub fn signed_form(document: &[u8]) -> Result<Vec<u8>, NoForm> {
    Ok(Document::parse(document)?.without(&["signature", "value"]).canonical())
}

/// Whose key signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// The key of this user on this machine.
    Own,
    /// One that this user trusts, by the name given to it.
    Known(String),
    /// Nobody here vouches for it: anybody can make one.
    Unknown,
}

/// The key that a record names.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Key {
    /// Short name.
    pub id: String,
    /// 64 hexadecimal digits.
    pub public_key: String,
    /// Whose it is.
    pub standing: Standing,
    /// When it signed, by the test set's clock.
    pub signed: Timestamp,
}

/// What a check of a record's signature finds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
pub enum Finding {
    /// As it was when the key signed it.
    Untouched {
        /// The key.
        key: Key,
    },
    /// Not as it was signed.
    Altered {
        /// What does not fit.
        why: String,
    },
    /// There is no signature, or it was taken off.
    Unsigned {
        /// What the record itself says of it.
        #[serde(skip_serializing_if = "Option::is_none")]
        why: Option<String>,
    },
    /// Signed in a way that this version does not know.
    Unreadable {
        /// Which.
        why: String,
    },
}

/// Checks a record's document, whose `record` is what the types read of it.
pub fn check(document: &[u8], record: &Record, keyring: &Keyring) -> Finding {
    let Some(signature) = &record.signature else {
        return Finding::Unsigned { why: record.unsigned_because.clone() };
    };
    if signature.algorithm != ALGORITHM || signature.form != FORM {
        let why = format!("signed by {} over {}; a later version may know that", signature.algorithm, signature.form);
        return Finding::Unreadable { why };
    }
    match verify(document, signature) {
        Err(why) => Finding::Altered { why },
        Ok(public) => {
            let standing = keyring.standing(&public);
            Finding::Untouched { key: Key { id: public.id(), public_key: public.digits(), standing, signed: signature.signed } }
        }
    }
}

fn verify(document: &[u8], signature: &Signature) -> Result<PublicKey, String> {
    let public = PublicKey::from_digits(&signature.public_key).ok_or("what stands as its public key is none")?;
    if public.id() != signature.key {
        return Err(format!("the public key is not that of the key {}", signature.key));
    }
    let value: Option<[u8; 64]> = from_hexadecimal(&signature.value).and_then(|octets| octets.try_into().ok());
    let mark = Mark::from_bytes(&value.ok_or("what stands as its signature is none")?);
    let form = signed_form(document).map_err(|error| error.to_string())?;
    // Strict: also refuses what only lax verifiers take (a nonce of small order, RFC 8032 section 8.4 leaves it open).
    public.0.verify_strict(&form, &mark).map_err(|_| "the signature does not fit what stands in it".to_owned())?;
    Ok(public)
}

#[cfg(test)]
mod tests;

//! Proof of an account by digest (RFC 3261 section 22, RFC 7616, RFC 8760): challenges in, credentials out, and the other way round.
//!
//! Algorithms MD5, SHA-256 and SHA-512-256, each also for a session; quality of protection `auth` or none. The password is a parameter of
//! two functions and is never kept.

use md5::{Digest as _, Md5};
use ring::digest::{SHA256, SHA512_256, digest};

use super::field::{Parameter, parameter, quoted, split, value};

/// A hash.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hash {
    /// MD5 (RFC 1321), which RFC 8760 discourages.
    Md5,
    /// SHA-256 (FIPS 180-4).
    Sha256,
    /// SHA-512/256.
    Sha512_256,
}

/// How a proof is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Algorithm {
    /// Its hash.
    pub hash: Hash,
    /// Whether nonces are part of the account's own hash (`-sess`).
    pub is_session: bool,
}

impl Algorithm {
    /// MD5, which is meant where no algorithm is named (RFC 7616 section 3.3).
    pub const MD5: Self = Self { hash: Hash::Md5, is_session: false };

    /// By its name, in any case.
    pub fn named(name: &str) -> Option<Self> {
        let lower = name.to_ascii_lowercase();
        let (base, is_session) = lower.strip_suffix("-sess").map_or((lower.as_str(), false), |base| (base, true));
        let hash = match base {
            "md5" => Hash::Md5,
            "sha-256" => Hash::Sha256,
            "sha-512-256" => Hash::Sha512_256,
            _ => return None,
        };
        Some(Self { hash, is_session })
    }

    /// Its name.
    pub fn name(self) -> &'static str {
        match (self.hash, self.is_session) {
            (Hash::Md5, false) => "MD5",
            (Hash::Md5, true) => "MD5-sess",
            (Hash::Sha256, false) => "SHA-256",
            (Hash::Sha256, true) => "SHA-256-sess",
            (Hash::Sha512_256, false) => "SHA-512-256",
            (Hash::Sha512_256, true) => "SHA-512-256-sess",
        }
    }

    /// The hash of parts with colons between, in hexadecimal.
    fn of(self, parts: &[&str]) -> String {
        let text = parts.join(":");
        let octets: Vec<u8> = match self.hash {
            Hash::Md5 => Md5::digest(text.as_bytes()).to_vec(),
            Hash::Sha256 => digest(&SHA256, text.as_bytes()).as_ref().to_vec(),
            Hash::Sha512_256 => digest(&SHA512_256, text.as_bytes()).as_ref().to_vec(),
        };
        octets.iter().flat_map(|octet| [octet >> 4, octet & 15]).filter_map(|digit| char::from_digit(digit.into(), 16)).collect()
    }
}

/// Why a challenge can't be answered.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unanswerable {
    /// Another scheme than Digest.
    #[error("it asks for a proof by `{0}`, and digest alone is spoken here")]
    Scheme(String),
    /// An algorithm that is not known.
    #[error("it asks for a digest by `{0}`, which is not known here")]
    Algorithm(String),
    /// Realm or nonce is missing.
    #[error("its challenge lacks `{0}`")]
    Missing(&'static str),
    /// It wants the body to be part of the proof, and nothing else.
    #[error("it takes no quality of protection but `{0}`")]
    Protection(String),
}

/// What a registrar asks to be proven.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Challenge {
    /// Whose accounts.
    pub realm: String,
    /// Its word of the hour.
    pub nonce: String,
    /// To be given back as it is.
    pub opaque: Option<String>,
    /// How.
    pub algorithm: Algorithm,
    /// Whether the algorithm was named.
    pub is_named: bool,
    /// The proof was right, the nonce too old: the same password may be tried again.
    pub is_stale: bool,
    /// Whether quality of protection `auth` is taken; without it the old form of RFC 2069 is meant.
    pub has_protection: bool,
    /// The user's name is wanted hashed (RFC 7616 section 3.4.4).
    pub wants_hashed_user: bool,
}

impl Challenge {
    /// Reads the value of WWW-Authenticate or Proxy-Authenticate: one challenge.
    ///
    /// # Errors
    /// When it can't be answered.
    pub fn parse(text: &str) -> Result<Self, Unanswerable> {
        let parameters = parameters(text)?;
        let named = value(&parameters, "algorithm");
        let algorithm = match named {
            Some(name) => Algorithm::named(name).ok_or_else(|| Unanswerable::Algorithm(name.to_owned()))?,
            None => Algorithm::MD5,
        };
        let text = |name| value(&parameters, name).map(str::to_owned);
        let is_true = |name| value(&parameters, name).is_some_and(|value| value.eq_ignore_ascii_case("true"));
        let protection = value(&parameters, "qop");
        let has_protection = protection.is_some_and(|all| all.split(',').any(|one| one.trim().eq_ignore_ascii_case("auth")));
        if let Some(other) = protection.filter(|_| !has_protection) {
            return Err(Unanswerable::Protection(other.to_owned()));
        }
        Ok(Self {
            realm: text("realm").ok_or(Unanswerable::Missing("realm"))?,
            nonce: text("nonce").ok_or(Unanswerable::Missing("nonce"))?,
            opaque: text("opaque"),
            algorithm,
            is_named: named.is_some(),
            is_stale: is_true("stale"),
            has_protection,
            wants_hashed_user: is_true("userhash"),
        })
    }

    /// The first of several that can be answered: a registrar puts what it likes best on top (RFC 8760 section 2.4).
    ///
    /// # Errors
    /// Why the first of all can't be answered, when none can.
    pub fn first<'a>(texts: impl Iterator<Item = &'a str>) -> Result<Self, Unanswerable> {
        let mut why = None;
        for text in texts {
            match Self::parse(text) {
                Ok(challenge) => return Ok(challenge),
                Err(error) => why = why.or(Some(error)),
            }
        }
        Err(why.unwrap_or(Unanswerable::Missing("challenge")))
    }
}

/// What a proof is about.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    /// Method of the request.
    pub method: &'a str,
    /// Its URI.
    pub uri: &'a str,
    /// How often this nonce was answered, this time included.
    pub count: u32,
    /// The answerer's own nonce.
    pub cnonce: &'a str,
}

/// The value of Authorization or Proxy-Authorization for a challenge.
pub fn credentials(challenge: &Challenge, asked: Asked<'_>, user: &str, password: &str) -> String {
    let Challenge { realm, nonce, opaque, algorithm, is_named, has_protection, wants_hashed_user, .. } = challenge;
    let account = algorithm.of(&[user, realm, password]);
    let response = proof(*algorithm, &account, nonce, has_protection.then_some("auth"), asked);
    let name = if *wants_hashed_user { algorithm.of(&[user, realm]) } else { user.to_owned() };
    let [name, realm, nonce, uri] = [&name, realm, nonce, asked.uri].map(quoted);
    let mut parts = vec![format!("username={name}, realm={realm}, nonce={nonce}, uri={uri}, response=\"{response}\"")];
    if *is_named {
        parts.push(format!("algorithm={}", algorithm.name()));
    }
    if *has_protection || algorithm.is_session {
        parts.push(format!("cnonce={}", quoted(asked.cnonce)));
    }
    if *has_protection {
        parts.push(format!("qop=auth, nc={:08x}", asked.count));
    }
    parts.extend(opaque.as_ref().map(|opaque| format!("opaque={}", quoted(opaque))));
    if *wants_hashed_user {
        parts.push("userhash=true".to_owned());
    }
    format!("Digest {}", parts.join(", "))
}

/// RFC 7616 section 3.4.1; without protection, RFC 2617 section 3.2.2.1.
fn proof(algorithm: Algorithm, account: &str, nonce: &str, protection: Option<&str>, asked: Asked<'_>) -> String {
    let session = algorithm.is_session.then(|| algorithm.of(&[account, nonce, asked.cnonce]));
    let account = session.as_deref().unwrap_or(account);
    let request = algorithm.of(&[asked.method, asked.uri]);
    match protection {
        Some(protection) => algorithm.of(&[account, nonce, &format!("{:08x}", asked.count), asked.cnonce, protection, &request]),
        None => algorithm.of(&[account, nonce, &request]),
    }
}

/// Credentials as a registrar reads them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Credentials {
    parameters: Vec<Parameter>,
}

impl Credentials {
    /// Reads the value of Authorization.
    ///
    /// # Errors
    /// When it is of another scheme.
    pub fn parse(text: &str) -> Result<Self, Unanswerable> {
        Ok(Self { parameters: parameters(text)? })
    }

    /// One of its parts.
    pub fn value(&self, name: &str) -> Option<&str> {
        value(&self.parameters, name)
    }

    /// Whether they prove this account for a request of this method.
    pub fn prove(&self, user: &str, password: &str, method: &str) -> bool {
        let text = |name| self.value(name).unwrap_or_default();
        let Some(algorithm) = self.value("algorithm").map_or(Some(Algorithm::MD5), Algorithm::named) else { return false };
        let count = u32::from_str_radix(self.value("nc").unwrap_or("1"), 16).unwrap_or(0);
        let asked = Asked { method, uri: text("uri"), count, cnonce: text("cnonce") };
        let account = algorithm.of(&[user, text("realm"), password]);
        let wanted = proof(algorithm, &account, text("nonce"), self.value("qop"), asked);
        let hashed = algorithm.of(&[user, text("realm")]);
        let name = if text("userhash").eq_ignore_ascii_case("true") { hashed.as_str() } else { user };
        text("username") == name && text("response").eq_ignore_ascii_case(&wanted)
    }
}

fn parameters(text: &str) -> Result<Vec<Parameter>, Unanswerable> {
    let (scheme, rest) = text.trim().split_once([' ', '\t']).unwrap_or_else(|| (text.trim(), ""));
    if !scheme.eq_ignore_ascii_case("Digest") {
        return Err(Unanswerable::Scheme(super::message::shown(scheme)));
    }
    Ok(split(rest, ',').into_iter().map(parameter).collect())
}

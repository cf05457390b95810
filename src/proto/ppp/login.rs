//! Who the subscriber is, and its proof (RFC 1334, RFC 1994). The secret never leaves this file but as a proof.

use std::fmt;

use md5::{Digest, Md5};

/// Name and secret of an account. Its debug form has neither.
#[derive(Clone)]
pub struct Login {
    name: Vec<u8>,
    secret: Vec<u8>,
}

impl fmt::Debug for Login {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Login { .. }")
    }
}

impl Login {
    /// An account.
    pub fn new(name: impl Into<Vec<u8>>, secret: impl Into<Vec<u8>>) -> Self {
        Self { name: name.into(), secret: secret.into() }
    }

    /// The account's name.
    pub fn name(&self) -> &[u8] {
        &self.name
    }

    /// Data of a PAP request: both in clear.
    pub fn in_clear(&self) -> Vec<u8> {
        crate::wire::ppp::emit_pap_request(&self.name, &self.secret)
    }

    /// The answer to a challenge (RFC 1994 section 4.1): MD5 of identifier, secret and challenge.
    pub fn answer(&self, identifier: u8, challenge: &[u8]) -> [u8; 16] {
        let mut hash = Md5::new();
        hash.update([identifier]);
        hash.update(&self.secret);
        hash.update(challenge);
        hash.finalize().into()
    }

    /// Whether this is the account that a PAP request names.
    pub fn is_in_clear(&self, name: &[u8], secret: &[u8]) -> bool {
        self.name == name && self.secret == secret
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Computed by an independent implementation of MD5 (Python's hashlib) from the formula of RFC 1994 section 4.1.
    #[test]
    fn a_challenge_is_answered_as_an_independent_implementation_does() {
        let challenge: Vec<u8> = (0..16).collect();
        let answer = Login::new("line1", "secret").answer(1, &challenge);
        let text = answer.iter().fold(String::new(), |text, octet| text + &format!("{octet:02x}"));
        assert_eq!(text, "740e86463bda3a4d7017d6e0fba0699d");
    }

    #[test]
    fn neither_name_nor_secret_is_in_the_debug_form() {
        assert_eq!(format!("{:?}", Login::new("line1", "hush")), "Login { .. }");
    }
}

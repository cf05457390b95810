//! An account at a registrar. Its password never leaves this file but inside a proof.

use std::fmt;

use crate::wire::sip::digest::{Asked, Challenge, Credentials, credentials};

/// Whom to register, and how to prove it. Its debug form has nothing of it.
#[derive(Clone)]
pub struct Account {
    user: String,
    login: String,
    password: String,
}

impl fmt::Debug for Account {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Account { .. }")
    }
}

impl Account {
    /// `user` is what stands before the at sign of the address; `login` the name in proofs where it is another. `None` for an empty name.
    pub fn new(user: &str, login: Option<&str>, password: &str) -> Option<Self> {
        let name = user.strip_prefix("sip:").unwrap_or(user);
        let name = name.split_once('@').map_or(name, |(name, _)| name);
        let login = login.unwrap_or(name).to_owned();
        (!name.is_empty() && !login.is_empty()).then(|| Self { user: name.to_owned(), login, password: password.to_owned() })
    }

    /// The user as it may stand in a URI (RFC 3261 section 25.1: anything beyond unreserved is escaped).
    pub(super) fn user(&self) -> String {
        let is_free = |octet: u8| octet.is_ascii_alphanumeric() || b"-_.!~*'()&=+$,;?/".contains(&octet);
        let one = |octet: u8| if is_free(octet) { char::from(octet).to_string() } else { format!("%{octet:02X}") };
        self.user.bytes().map(one).collect()
    }

    /// The value of Authorization that answers a challenge.
    pub(super) fn answer(&self, challenge: &Challenge, asked: Asked<'_>) -> String {
        credentials(challenge, asked, &self.login, &self.password)
    }

    /// Whether credentials prove it, for a registrar.
    pub fn is_proven_by(&self, given: &Credentials, method: &str) -> bool {
        given.prove(&self.login, &self.password, method)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_taken_from_an_address_and_escaped_and_nothing_is_shown() {
        let account = |user| Account::new(user, None, "hush").map(|account| account.user());
        assert_eq!(account("sip:line1@example.net").as_deref(), Some("line1"));
        assert_eq!(account("+15550100").as_deref(), Some("+15550100"), "a number that is set aside for fiction");
        assert_eq!(account("a b>\r\n\"").as_deref(), Some("a%20b%3E%0D%0A%22"));
        assert_eq!((account(""), account("@example.net")), (None, None));
        assert_eq!(format!("{:?}", Account::new("line1", None, "hush")), "Some(Account { .. })");
    }
}

//! The accounts of a PPPoE line and of a voice line's SIP service: from a file or typed, never from the command line, where every user of the machine could see it.

use std::path::Path;

use serde::Deserialize;

use super::failure::Failure;
use super::{output, private};
use crate::proto::ppp::Login;
use crate::proto::sip::account::Account;
use crate::proto::sip::service::Service;

/// The file as written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    name: String,
    password: String,
    /// Of SIP alone: the name in proofs, where it is another.
    login: Option<String>,
}

/// The account: of this file, else asked for at the terminal.
pub(super) fn read(file: Option<&Path>) -> Result<Login, Failure> {
    let login = match file {
        Some(path) => from_file(path)?,
        None if output::can_ask() => {
            let name = output::ask_line("Name of the PPPoE account").map_err(Failure::could_not_run)?;
            let password = output::ask_secret("Its password (not shown)").map_err(Failure::could_not_run)?;
            Login::new(name, password)
        }
        None => return Err(Failure::usage("--access pppoe needs the account: --login FILE (TOML: name, password)")),
    };
    if login.name().is_empty() {
        return Err(Failure::usage("the name of the PPPoE account is empty"));
    }
    Ok(login)
}

fn from_file(path: &Path) -> Result<Login, Failure> {
    let written = written(path)?;
    if written.login.is_some() {
        return Err(Failure::usage(format_args!("the login {} names a second name, which is for SIP alone", path.display())));
    }
    Ok(Login::new(written.name, written.password))
}

/// The account of the SIP service that the profile names: of this file, else asked for where one is needed and somebody can be asked. Nobody is asked
/// for a plan.
pub(super) fn sip(file: Option<&Path>, service: Option<&Service>, is_plan: bool) -> Result<Option<Account>, Failure> {
    let (name, login, password) = match (file, service) {
        (Some(_), None) => {
            return Err(Failure::usage("--sip-login needs a profile with [sip] domain: the account is that domain's"));
        }
        (Some(path), Some(_)) => {
            let Written { name, password, login } = written(path)?;
            (name, login, password)
        }
        (None, Some(service)) if service.needs_account && !is_plan && output::can_ask() => {
            let domain = &service.domain.host;
            let name = output::ask_line(&format!("Name of the account at {domain}")).map_err(Failure::could_not_run)?;
            let password = output::ask_secret("Its password (not shown)").map_err(Failure::could_not_run)?;
            (name, None, password)
        }
        (None, _) => return Ok(None),
    };
    let account = Account::new(&name, login.as_deref(), &password);
    account.map(Some).ok_or_else(|| Failure::usage("the name of the SIP account is empty"))
}

fn written(path: &Path) -> Result<Written, Failure> {
    let (shown, text) = (path.display(), private::read(path, "the login")?);
    // The parser's own message would quote the line, and with it the password.
    toml::from_str(&text).map_err(|error| {
        let line = error.span().map_or(1, |span| text[..span.start.min(text.len())].matches('\n').count() + 1);
        Failure::usage(format_args!(
            "the login {shown} can't be read at line {line}: write name = \"...\" and password = \"...\""
        ))
    })
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    fn written(text: &str, mode: u32) -> (tempfile::TempDir, std::path::PathBuf) {
        let directory = tempfile::tempdir().expect("temporary directory");
        let path = directory.path().join("login.toml");
        std::fs::write(&path, text).expect("written");
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).expect("set");
        (directory, path)
    }

    #[test]
    fn a_login_is_read_and_a_file_that_others_can_read_is_refused() {
        let text = "name = \"line1\"\npassword = \"hush\"\n";
        let (_kept, path) = written(text, 0o600);
        let login = read(Some(&path)).expect("read");
        assert!(login.is_in_clear(b"line1", b"hush"));
        let (_kept, path) = written(text, 0o644);
        let refusal = format!("{:?}", read(Some(&path)).expect_err("refused"));
        assert!(refusal.contains("chmod 600"), "{refusal}");
    }

    #[test]
    fn no_complaint_tells_the_password() {
        for text in
            ["name = \"line1\"\npassword = \"hush", "name = \"a\"\npasword = \"hush\"", "name = \"\"\npassword = \"hush\""]
        {
            let (_kept, path) = written(text, 0o600);
            let refusal = format!("{:?}", read(Some(&path)).expect_err("refused"));
            assert!(!refusal.contains("hush"), "{refusal}");
        }
    }
}

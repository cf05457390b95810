//! Who is let in, and the three ways in which one is not.

use std::os::unix::fs::PermissionsExt;

use doorstep::farend::client::ClientError;
use doorstep::unit::Direction;

use crate::support::{Host, open, request};

#[tokio::test]
async fn an_invited_agent_is_let_in_and_a_wrong_token_or_another_certificate_is_told_apart() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let _service = host.serve();
    let session = open(&invited).await.expect("invited");
    assert!(session.seen_as.is_loopback());
    assert_eq!(session.stamp.as_ref().map(|offer| offer.port), Some(host.stamp().port()));
    session.close().await.expect("closed");

    let mut stranger = invited.clone();
    stranger.token = stranger.token.replace(char::is_alphanumeric, "A");
    let error = open(&stranger).await.expect_err("a wrong token");
    assert!(matches!(error, ClientError::Token(_)), "{error:?}");
    assert!(error.to_string().contains("ask its host for a new invitation"), "{error}");
    assert!(!format!("{error}{error:?}").contains(&stranger.token), "a token must not be told: {error:?}");

    let mut elsewhere = invited.clone();
    elsewhere.fingerprint[0] ^= 1;
    let error = open(&elsewhere).await.expect_err("a wrong fingerprint");
    let ClientError::Fingerprint { found, wanted, .. } = &error else { panic!("{error:?}") };
    assert_ne!(found, wanted);
    assert!(error.to_string().contains("what intercepts the connection"), "{error}");
}

#[tokio::test]
async fn a_full_far_end_says_so_and_has_room_again_when_a_session_ends() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let _service = host.serve();
    let mut sessions = Vec::new();
    // The limit of one token is 8, told in the flags' help; all of one host share it here.
    let error = loop {
        match open(&invited).await {
            Ok(session) => sessions.push(session),
            Err(error) => break error,
        }
        assert!(sessions.len() <= 64, "it takes any number of sessions");
    };
    assert!(matches!(error, ClientError::Full(_)), "{error:?}");
    assert!(error.to_string().contains("full") && error.to_string().contains("try again"), "{error}");
    assert_eq!(sessions.len(), 8);
    sessions.pop().expect("eight").close().await.expect("closed");
    open(&invited).await.expect("there is room again");
}

#[tokio::test]
async fn two_visits_never_fill_the_same_line_at_once() {
    let host = Host::new();
    let (one, two) = (host.invite("van-7"), host.invite("van-8"));
    let _service = host.serve();
    let (one, two) = (open(&one).await.expect("invited"), open(&two).await.expect("invited"));
    let load = request(Direction::Down, 1);
    let grant = one.admit_load(&load).await.expect("nobody else is here");
    let error = two.admit_load(&load).await.expect_err("the capacity is taken");
    let ClientError::Busy { retry_after_s: Some(seconds), .. } = &error else { panic!("{error:?}") };
    assert!(*seconds <= 60, "{error}");
    assert!(error.to_string().contains("busy"), "{error}");
    one.finish_load(&grant).await.expect("finished");
    two.admit_load(&load).await.expect("free again");
}

#[tokio::test]
async fn a_session_belongs_to_its_token() {
    let host = Host::new();
    let (one, two) = (host.invite("van-7"), host.invite("van-8"));
    let _service = host.serve();
    let session = open(&one).await.expect("invited");
    let other = open(&two).await.expect("invited");
    let grant = session.admit_load(&request(Direction::Down, 1)).await.expect("free");
    let error = other.finish_load(&grant).await.expect_err("not its load");
    assert!(matches!(error, ClientError::Ended(_)), "{error:?}");
}

#[tokio::test]
async fn a_token_that_is_taken_back_is_refused_at_once_while_the_service_runs() {
    let host = Host::new();
    let (stays, goes) = (host.invite("van-7"), host.invite("van-8"));
    let _service = host.serve();
    open(&goes).await.expect("invited");
    assert_eq!(host.act(&["uninvite", "van-8"]).status, Some(0));
    assert!(matches!(open(&goes).await, Err(ClientError::Token(_))));
    open(&stays).await.expect("still invited");
    let listed = host.act(&["invited"]);
    assert_eq!(listed.stdout.trim(), "van-7");
    let again = host.act(&["uninvite", "van-8"]);
    assert_eq!((again.status, again.stderr.contains("van-8")), (Some(2), true), "{again:?}");
}

#[tokio::test]
async fn certificate_and_tokens_outlive_a_restart_and_are_kept_from_others() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let first = host.serve();
    open(&invited).await.expect("invited");
    first.signal(nix::sys::signal::Signal::SIGTERM);
    assert_eq!(first.end().status, Some(0));
    let _second = host.serve();
    open(&invited).await.expect("the same certificate and token");

    let mut seen = 0;
    for entry in std::fs::read_dir(host.folder.path().join("state")).expect("its state") {
        let path = entry.expect("an entry").path();
        let mode = std::fs::metadata(&path).expect("a file").permissions().mode() & 0o777;
        let octets = std::fs::read(&path).expect("a file");
        let holds = |needle: &str| octets.windows(needle.len()).any(|window| window == needle.as_bytes());
        assert!(!holds(&invited.token), "{} holds the token itself", path.display());
        if path.ends_with("tokens.toml") || holds("PRIVATE KEY") {
            assert_eq!(mode, 0o600, "{}", path.display());
            seen += 1;
        }
    }
    assert_eq!(seen, 2, "tokens and key");
    let invitation = std::fs::metadata(host.folder.path().join("van-7.toml")).expect("the invitation");
    assert_eq!(invitation.permissions().mode() & 0o777, 0o600);
}

//! `history metrics --otlp`: sends visits as metrics to one receiver over OTLP/HTTP, once, within a bound of time.
//!
//! Only the receiver that was named is asked: no proxy, no other place that it points to. What it says against a request is told in its own words.

use std::sync::Arc;
use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, RETRY_AFTER};
use reqwest::{Client, StatusCode, Url};
use rustls::{ClientConfig, RootCertStore};

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::output;
use crate::farend::client::causes;
use crate::history::export::{self, Rows};

/// Time for a connection.
const CONNECT_WAIT: Duration = Duration::from_secs(5);
/// Time for one request with its answer (the OTLP exporter specification's own default).
const ANSWER_WAIT: Duration = Duration::from_secs(10);
/// Visits in one request: some 20,000 points, less than a receiver's usual bound of 4 MB (common practice).
const BATCH: usize = 200;
/// Where receivers listen when a URL has no path (OTLP specification, "OTLP/HTTP Request").
const PATH: &str = "/v1/metrics";

/// Sends them all, batch by batch; ends at the first that is not taken.
pub(super) fn run(url: &str, visits: &[Rows]) -> Result<Exit, Failure> {
    let url = receiver(url)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(Failure::could_not_run)?;
    let client = client(url.scheme() == "https")?;
    let mut sent = 0;
    for batch in visits.chunks(BATCH) {
        let warned = runtime.block_on(send(&client, &url, batch)).map_err(|why| {
            Failure::could_not_run(format_args!("{sent} of {} visits were taken by {url}: {why}", visits.len()))
        })?;
        if let Some(warning) = warned {
            output::note(&format!("{url} took the visits and says: {warning}"));
        }
        sent += batch.len();
    }
    output::note(&format!("{sent} visits sent to {url}"));
    Ok(Exit::Pass)
}

/// The receiver's URL, with the usual path where none was typed.
fn receiver(text: &str) -> Result<Url, Failure> {
    let wrong = |what: &str| Failure::usage(format_args!("{text}: {what}; write for instance http://127.0.0.1:4318"));
    let mut url = Url::parse(text).map_err(|error| wrong(&error.to_string()))?;
    if !["http", "https"].contains(&url.scheme()) || !url.has_host() {
        return Err(wrong("no URL of HTTP"));
    }
    if !url.username().is_empty() || url.password().is_some() {
        return Err(wrong("a password does not belong into a URL, which others may see"));
    }
    if url.path() == "/" {
        url.set_path(PATH);
    }
    Ok(url)
}

fn client(is_secure: bool) -> Result<Client, Failure> {
    let mut roots = RootCertStore::empty();
    if is_secure {
        roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        if roots.is_empty() {
            return Err(Failure::could_not_run(
                "this system trusts no certificates: install its package of them (ca-certificates)",
            ));
        }
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let versions = ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions();
    let tls = versions.map_err(Failure::could_not_run)?.with_root_certificates(roots).with_no_client_auth();
    Client::builder()
        .tls_backend_preconfigured(tls)
        .no_proxy()
        .redirect(reqwest::redirect::Policy::none())
        .connect_timeout(CONNECT_WAIT)
        .timeout(ANSWER_WAIT)
        .build()
        .map_err(Failure::could_not_run)
}

/// Sends one request; gives the receiver's warning, if it has one, or why it was not taken.
async fn send(client: &Client, url: &Url, visits: &[Rows]) -> Result<Option<String>, String> {
    let request = client.post(url.clone()).header(CONTENT_TYPE, export::OTLP_CONTENT_TYPE).body(export::otlp(visits));
    let answer = request.send().await.map_err(unsent)?;
    let status = answer.status();
    let wait = answer.headers().get(RETRY_AFTER).and_then(|value| value.to_str().ok()).map(str::to_owned);
    let octets = answer.bytes().await.map_err(unsent)?;
    if status == StatusCode::OK {
        return match export::otlp_answer(&octets) {
            Ok(None) => Ok(None),
            Ok(Some((0, warning))) => Ok(Some(warning)),
            Ok(Some((rejected, why))) => Err(format!("it rejected {rejected} points and says: {why}")),
            Err(_) => Err("its answer is not one of OTLP; is this the address of a receiver of metrics?".to_owned()),
        };
    }
    let said = match export::otlp_refusal(&octets) {
        said if said.is_empty() => String::new(),
        said => format!(", and says: {said}"),
    };
    let wait = wait.map(|wait| format!(", wanted: {wait}")).unwrap_or_default();
    let what = match status {
        // Those that may be tried again (OTLP specification, "Retryable Response Codes").
        StatusCode::TOO_MANY_REQUESTS
        | StatusCode::BAD_GATEWAY
        | StatusCode::SERVICE_UNAVAILABLE
        | StatusCode::GATEWAY_TIMEOUT => {
            format!("it is busy; try again later{wait}")
        }
        StatusCode::NOT_FOUND => format!("nothing takes metrics at this path; the usual one is {PATH}"),
        StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => "it does not let this sender in".to_owned(),
        status if status.is_redirection() => {
            "it points elsewhere, and nothing is sent anywhere but to the URL that was given".to_owned()
        }
        _ => "it refuses what was sent".to_owned(),
    };
    Err(format!("it answered with status {status}{said}: {what}"))
}

/// Why there was no answer.
fn unsent(error: reqwest::Error) -> String {
    let advice = match &error {
        error if error.is_timeout() => format!("no answer within {} s", ANSWER_WAIT.as_secs()),
        error if error.is_connect() => "no connection; is the receiver running, and is the address right?".to_owned(),
        _ => "the exchange broke off".to_owned(),
    };
    format!("{advice}: {}", causes(&error.without_url()))
}

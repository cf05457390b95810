//! Against programs that we did not write: DuckDB reads the tables, promtool the metrics, ruptures and SciPy compute the statistics again.

use std::io::Write as _;
use std::process::{Command, Stdio};

use doorstep::metric::rank::change_point::{PENALTY, find, segment};
use doorstep::metric::rank::correlation::spearman;
use doorstep::metric::rank::ranks;
use doorstep::metric::rank::signed_rank::signed_rank;
use doorstep::metric::rank::trend::theil_sen;
use serde_json::{Value, json};

use super::typed::history;
use super::*;

/// Runs a program of Python, JSON in and out.
fn python(program: &str, input: &Value) -> Value {
    serde_json::from_str(&python::python(program, &[], &input.to_string())).expect("JSON")
}

#[test]
fn duckdb_reads_every_form_of_the_table_and_finds_the_same_in_them() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    let store = filled(&path, 600, &Policy::default());
    let mut tables = serde_json::Map::new();
    for form in ["csv", "json-lines", "parquet"] {
        let file = folder.path().join(form);
        let written = history(&path, &["export", "--format", form, "--output", file.to_str().expect("plain")]);
        assert_eq!(written.status.code(), Some(0), "{}", String::from_utf8_lossy(&written.stderr));
        tables.insert(form.to_owned(), file.to_str().into());
    }
    let program = r#"
import duckdb, json, sys
files = json.load(sys.stdin)
read = {'csv': "read_csv('{}', header=true)", 'json-lines': "read_json('{}', format='newline_delimited')", 'parquet': "read_parquet('{}')"}
# The session's zone: moments are compared as such.
duckdb.sql("SET TimeZone='UTC'")
out = {}
for form, file in files.items():
    table = read[form].format(file)
    rows = duckdb.sql(f"SELECT count(*), count(DISTINCT visit), count(low), sum(samples) FROM {table}").fetchall()[0]
    first = duckdb.sql(f"SELECT value, epoch_ms(started::TIMESTAMPTZ), low, coalesce(verdict, ''), unit FROM {table} WHERE reading = 'dns.lookup_time_p50' ORDER BY started, selector LIMIT 400").fetchall()
    out[form] = {'counts': [int(x) for x in rows], 'first': first}
json.dump(out, sys.stdout)
"#;
    let read = python(program, &tables.into());
    let line = store.lines().unwrap().remove(0);
    let visits = store.visits(&line, doorstep::history::Span::ALL).unwrap();
    let (mut rows, mut lows, mut samples, mut first) = (0u64, 0u64, 0u64, Vec::new());
    for visit in &visits {
        for kept in store.readings(visit).unwrap() {
            rows += 1;
            lows += u64::from(kept.low.is_some());
            samples += kept.samples;
            if kept.figure.name == "dns.lookup_time_p50" {
                let verdict = kept.verdict.map_or("", |verdict| verdict.word());
                first.push((
                    kept.figure.selector(),
                    json!([kept.value, visit.started.as_millisecond(), kept.low, verdict, kept.unit.symbol()]),
                ));
            }
        }
    }
    let want: Vec<Value> = first.into_iter().map(|(_, row)| row).take(400).collect();
    for form in ["csv", "json-lines", "parquet"] {
        assert_eq!(read[form]["counts"], json!([rows, 600, lows, samples]), "{form}");
        let found = read[form]["first"].as_array().expect("rows");
        assert_eq!(found.len(), 400);
        let sorted = |rows: &[Value]| {
            let mut rows: Vec<String> = rows.iter().map(Value::to_string).collect();
            rows.sort();
            rows
        };
        assert_eq!(sorted(found), sorted(&want), "{form}: to the last bit");
    }
}

#[test]
fn promtool_accepts_the_metrics() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    let mut store = filled(&path, 3, &Policy::default());
    // A circuit with everything that a label must escape.
    let mut record = Repeats::new(1, 1000).visit(5);
    record.place.circuit = Some("EV \"7\" \\ north\nside".to_owned());
    store.add(&Entry::of(&record), &Policy::default()).expect("added");
    let metrics = history(&path, &["metrics"]);
    assert_eq!(metrics.status.code(), Some(0));
    let text = String::from_utf8(metrics.stdout).expect("UTF-8");
    let mut tool = Command::new("promtool")
        .args(["check", "metrics"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn();
    let tool = tool.as_mut().expect("promtool is in the Debian package prometheus");
    tool.stdin.take().expect("a pipe").write_all(text.as_bytes()).expect("written");
    let mut said = String::new();
    std::io::Read::read_to_string(&mut tool.stderr.take().expect("a pipe"), &mut said).expect("read");
    // Its lint asks for base units, which ours are not on purpose: readings keep the unit of the record. That is status 3; 1 is a text that can't be parsed.
    let status = tool.wait().expect("it ends").code();
    assert!(status == Some(0) || status == Some(3), "{status:?}: {said}");
    assert!(!said.contains("error while linting"), "{said}");
    assert!(said.lines().all(|line| line.contains("use base unit") || line.contains("no help")), "{said}");
    assert!(text.contains("doorstep_visit_service{circuit=\"EV \\\"7\\\" \\\\ north\\nside\",position=\"gateway\"} 1"), "{text}");
    // And it does refuse: a label without its quote.
    let mut refusing = Command::new("promtool")
        .args(["check", "metrics"])
        .stdin(Stdio::piped())
        .stderr(Stdio::null())
        .stdout(Stdio::null())
        .spawn()
        .expect("promtool");
    refusing.stdin.take().expect("a pipe").write_all(text.replacen("\"gateway\"", "\"gateway", 1).as_bytes()).expect("written");
    assert_eq!(refusing.wait().expect("it ends").code(), Some(1));
}

#[test]
fn a_scrape_on_loopback_gets_the_metrics_and_the_server_ends_on_its_signal() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    drop(filled(&path, 2, &Policy::default()));
    let mut server = Command::new(env!("CARGO_BIN_EXE_doorstep"))
        .args(["history", "metrics", "--listen", "127.0.0.1:0", "--history"])
        .arg(&path)
        .stderr(Stdio::piped())
        .spawn()
        .expect("it runs");
    let mut said = std::io::BufReader::new(server.stderr.take().expect("a pipe"));
    let mut line = String::new();
    std::io::BufRead::read_line(&mut said, &mut line).expect("it says where");
    let url = line.split_whitespace().find(|word| word.starts_with("http://")).expect("an address").to_owned();
    let scraped = Command::new("curl")
        .args(["--silent", "--show-error", "--fail", "--max-time", "10", "--include", &url])
        .output()
        .expect("curl");
    let text = String::from_utf8_lossy(&scraped.stdout).into_owned();
    nix::sys::signal::kill(nix::unistd::Pid::from_raw(server.id() as i32), nix::sys::signal::Signal::SIGINT).expect("signalled");
    assert_eq!(server.wait().expect("it ends").code(), Some(0));
    assert!(
        text.contains("content-type: text/plain; version=0.0.4") && text.contains("doorstep_reading_milliseconds{"),
        "{text}"
    );
}

#[test]
fn changes_are_where_the_library_finds_them() {
    // tests/history/series.csv: 16 series of 200 values with 0 to 3 steps, by seed 20261126 of Python's generator; invented (see its head).
    let text = include_str!("series.csv");
    let mut series: Vec<Vec<f64>> = Vec::new();
    let mut truth: Vec<Vec<usize>> = Vec::new();
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        let (places, values) = line.split_once(';').expect("places; values");
        truth.push(places.split_whitespace().map(|place| place.parse().expect("a place")).collect());
        series.push(values.split(',').map(|value| value.parse().expect("a value")).collect());
    }
    assert_eq!(series.len(), 16);
    let penalty = PENALTY * 200f64.ln();
    let program = r#"
import json, sys, numpy, ruptures
given = json.load(sys.stdin)
found = []
for series in given['series']:
    search = ruptures.Pelt(model='rank', min_size=3, jump=1).fit(numpy.array(series))
    found.append([int(place) for place in search.predict(pen=given['penalty'])[:-1]])
json.dump(found, sys.stdout)
"#;
    let found = python(program, &json!({ "series": series, "penalty": penalty }));
    for ((series, truth), theirs) in series.iter().zip(&truth).zip(found.as_array().expect("places")) {
        let ours = segment(&ranks(series), penalty);
        let theirs: Vec<usize> =
            theirs.as_array().expect("places").iter().map(|place| place.as_u64().expect("a place") as usize).collect();
        let close =
            |one: &[usize], other: &[usize]| one.len() == other.len() && one.iter().zip(other).all(|(a, b)| a.abs_diff(*b) <= 1);
        assert!(close(&ours, &theirs), "ours {ours:?}, theirs {theirs:?}");
        // Ranks alone put a change some values off where one level holds most of the series; the last step of ours corrects that.
        let places: Vec<usize> = find(series).iter().map(|change| change.at).collect();
        // The shortest levels, of fewer than sixteen values, are too short to be told from chance; none is invented.
        let true_one = |place: &usize| truth.iter().any(|step| step.abs_diff(*place) <= 1);
        assert!(places.iter().all(true_one), "ours {places:?}, truth {truth:?}");
    }
}

#[test]
fn several_changes_are_those_that_the_library_finds_by_squares() {
    // Levels in deviations of a noise of variance 1, by a generator of our own; invented. The library looks for them with another cost than ours (sums of
    // squares) and a penalty that knows the variance, which ours does not.
    const LEVELS: [&[f64]; 4] = [
        &[0.0, 6.0, 12.0, 18.0, 24.0],
        &[0.0, 7.0, 0.0, 7.0, 0.0, 7.0],
        &[5.0, 12.0, 0.0, 20.0],
        &[0.0, -6.0, -12.0, -6.0, 3.0, 10.0],
    ];
    let mut state = 11u64;
    let mut uniform = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let mut series: Vec<Vec<f64>> = Vec::new();
    for n in 0..12 {
        let levels = LEVELS[n % 4];
        let mut one = Vec::new();
        for level in levels {
            let length = 30 + (uniform() * 40.0) as usize;
            one.extend((0..length).map(|_| level + (0..12).map(|_| uniform()).sum::<f64>() - 6.0));
        }
        series.push(one);
    }
    let program = r#"
import json, math, sys, numpy, ruptures
found = []
for series in json.load(sys.stdin):
    search = ruptures.Pelt(model='l2', min_size=3, jump=1).fit(numpy.array(series))
    found.append([int(place) for place in search.predict(pen=3 * math.log(len(series)))[:-1]])
json.dump(found, sys.stdout)
"#;
    let found = python(program, &json!(series));
    for (n, (series, theirs)) in series.iter().zip(found.as_array().expect("places")).enumerate() {
        let theirs: Vec<u64> = theirs.as_array().expect("places").iter().map(|place| place.as_u64().expect("a place")).collect();
        let ours: Vec<u64> = find(series).iter().map(|change| change.at as u64).collect();
        assert_eq!(theirs.len() + 1, LEVELS[n % 4].len(), "the library finds all: {theirs:?}");
        assert!(
            ours.len() == theirs.len() && ours.iter().zip(&theirs).all(|(one, other)| one.abs_diff(*other) <= 1),
            "ours {ours:?}, theirs {theirs:?}"
        );
    }
}

#[test]
fn scipy_computes_the_same_statistics() {
    let mut state = 5u64;
    let mut uniform = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let x: Vec<f64> = (0..31).map(f64::from).collect();
    // Rounded, so that there are ties.
    let y: Vec<f64> = x.iter().map(|x| (0.4 * x + 12.0 * uniform()).round()).collect();
    let differences: Vec<f64> = (0..25).map(|_| uniform() - 0.35).collect();
    let program = r#"
import json, sys, numpy
from scipy import stats
g = json.load(sys.stdin)
slope = stats.theilslopes(g['y'], g['x'], 0.95)
tau = stats.kendalltau(g['x'], g['y'])
rho = stats.spearmanr(g['x'], g['y'])
signed = stats.wilcoxon(g['d'], method='exact')
json.dump([float(v) for v in (slope[0], tau.statistic, rho.statistic, signed.pvalue)], sys.stdout)
"#;
    let theirs = python(program, &json!({ "x": x, "y": y, "d": differences }));
    let points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    let trend = theil_sen(&points, 0.95).expect("enough");
    let ours =
        [trend.slope, trend.tau, spearman(&points, 0.95).expect("enough").rho, signed_rank(&differences, 0.95).expect("pairs").p];
    for (ours, theirs) in ours.iter().zip(theirs.as_array().expect("four")) {
        let theirs = theirs.as_f64().expect("a number");
        assert!((ours - theirs).abs() < 1e-9, "ours {ours}, theirs {theirs}");
    }
}

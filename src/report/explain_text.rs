//! A tier in words, before anything is sent: what a visit of a depth would do, and what of the tier it can prove.

use std::fmt::Write as _;

use super::plan_text;
use crate::judge::{Needs, Proof};
use crate::plan::Plan;
use crate::reading::words::grouped;

/// The plan, then each criterion with the samples that it needs and gets, then what the speeds that the tier states need.
pub fn explain_text(plan: &Plan, proofs: &[Proof], confidence: f64, stated: &[String]) -> String {
    let mut text = plan_text(plan);
    let judged: Vec<&Proof> = proofs.iter().filter(|proof| proof.applies).collect();
    let _ = writeln!(
        text,
        "\nWhat it judges, with the samples that prove a healthy line at {} % confidence (two-sided):\n",
        crate::reading::words::significant(confidence * 100.0)
    );
    let width = judged.iter().map(|proof| proof.criterion.chars().count()).max().unwrap_or(0);
    for proof in &judged {
        let Proof { criterion, severity, reading, limit, .. } = proof;
        let _ = writeln!(text, "  {:<6}  {criterion:width$}  {reading} {limit}{}", severity.word(), samples(proof));
    }
    let out: Vec<&Proof> = judged.iter().copied().filter(|proof| proof.is_out_of_reach()).collect();
    if !out.is_empty() {
        let _ = writeln!(text, "\nOut of reach at this depth, however good the line is: {}.", names(&out));
    }
    let elsewhere: Vec<&Proof> = proofs.iter().filter(|proof| !proof.applies).collect();
    if !elsewhere.is_empty() {
        let _ = writeln!(text, "\nJudged at other depths, positions or accesses only: {}.", names(&elsewhere));
    }
    if !stated.is_empty() {
        let _ = writeln!(
            text,
            "\nThe speeds that the contract states are told by many visits (`watch`, `history show`), not by one. They need:\n"
        );
        for need in stated {
            let _ = writeln!(text, "  {need}");
        }
    }
    text
}

fn samples(proof: &Proof) -> String {
    let grouped = |n: u64| grouped(n as f64);
    match (proof.needs, proof.has) {
        (Needs::Samples(needs), Some(has)) => {
            let most = proof.most.map_or(String::new(), |most| format!(", at most {}", grouped(most)));
            format!("; needs {}, takes {}{most}", grouped(needs), grouped(has))
        }
        (Needs::Samples(needs), None) => format!("; needs {}", grouped(needs)),
        (Needs::Look, _) => String::new(),
        (Needs::Never, _) => "; no number of samples proves that".to_owned(),
    }
}

fn names(proofs: &[&Proof]) -> String {
    proofs.iter().map(|proof| proof.criterion.as_str()).collect::<Vec<_>>().join("; ")
}

//! How the limits stand while a visit runs: one line that says what is certain already and what is still to come.
//!
//! Must not know the visit or the screen: it is given what was judged so far and which checks are open.

use crate::record::{Judgement, Severity, Verdict};

/// Says how the limits of severity `must` stand. `open` tells whether the check of this name has not ended yet. Empty when there is none.
///
/// A missed limit is told first and with its figures, since it decides the visit; the counts follow.
pub fn standing(so_far: &[Judgement], open: impl Fn(&str) -> bool) -> String {
    let musts: Vec<&Judgement> = so_far.iter().filter(|j| j.severity == Severity::Must).collect();
    if musts.is_empty() {
        return String::new();
    }
    let is_open = |j: &Judgement| j.verdict == Verdict::NotTested && j.reading.split('.').next().is_some_and(&open);
    let count = |verdict| musts.iter().filter(|j| j.verdict == verdict && !is_open(j)).count();
    let missed: Vec<&&Judgement> = musts.iter().filter(|j| j.verdict == Verdict::Fail).collect();
    let to_come = musts.iter().filter(|j| is_open(j)).count();
    let (met, unproven) = (count(Verdict::Pass), count(Verdict::NotProven) + count(Verdict::NotTested));
    let begins = match missed.as_slice() {
        [] if to_come == 0 && unproven == 0 => format!("all {met} limits met"),
        [] => format!("{met} of {} limits met", musts.len()),
        [one] => format!("missed: {} ({}); {met} met", one.criterion, one.because),
        [first, others @ ..] => format!("missed: {} and {} more; {met} met", first.criterion, others.len()),
    };
    let mut parts = vec![begins];
    parts.extend((unproven > 0).then(|| format!("{unproven} not proven")));
    parts.extend((to_come > 0).then(|| format!("{to_come} to come")));
    parts.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::Limits;
    use crate::reading::Unit;

    fn judgement(criterion: &str, reading: &str, verdict: Verdict) -> Judgement {
        Judgement {
            criterion: criterion.to_owned(),
            severity: Severity::Must,
            reading: reading.to_owned(),
            target: None,
            direction: None,
            family: None,
            load: None,
            value: None,
            unit: Unit::One,
            limit: Limits::default(),
            low: None,
            high: None,
            confidence: None,
            verdict,
            because: "6.1 %, at most 0.5 %".to_owned(),
            basis: "invented".to_owned(),
            remedy: None,
            to_prove: Vec::new(),
        }
    }

    #[test]
    fn what_is_certain_is_told_and_what_is_open_is_counted() {
        let twoway_is_open = |check: &str| check == "twoway";
        let mut so_far = vec![
            judgement("address", "dhcp4.offer_time", Verdict::Pass),
            judgement("names", "dns.loss_ratio", Verdict::NotTested),
            judgement("loss", "twoway.loss_ratio", Verdict::NotTested),
        ];
        assert_eq!(standing(&so_far, twoway_is_open), "1 of 3 limits met, 1 not proven, 1 to come");
        so_far[2].verdict = Verdict::Fail;
        assert_eq!(standing(&so_far, |_| false), "missed: loss (6.1 %, at most 0.5 %); 1 met, 1 not proven");
        so_far[1].verdict = Verdict::Fail;
        assert_eq!(standing(&so_far, |_| false), "missed: names and 1 more; 1 met");
        assert_eq!(standing(&so_far[..1], |_| false), "all 1 limits met");
    }

    #[test]
    fn what_need_not_be_met_is_not_counted() {
        let wish = Judgement { severity: Severity::Should, ..judgement("wish", "echo.loss_ratio", Verdict::Fail) };
        assert_eq!(standing(&[wish], |_| false), "");
    }
}

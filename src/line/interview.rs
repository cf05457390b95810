//! Asks for line facts question by question: the same text comes out that a file would hold, read by the same parser.
//!
//! It knows no terminal: whoever asks shows [`Interview::question`] and hands the answer to [`Interview::answer`].

use std::fmt::Write as _;

use super::facts::{LineError, LineFacts, parse};
use super::limits::AccessKind;

/// A question with its place in the text.
#[derive(Debug, Clone, Copy)]
struct Question {
    /// Table; empty for the top.
    table: &'static str,
    key: &'static str,
    words: &'static str,
    /// True when the answer is a word, to be put in quotes.
    is_word: bool,
    for_whom: For,
}

/// Which technologies a question is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum For {
    All,
    WithProfiles,
    Copper,
    /// Copper, where the time that errors were counted over is known.
    Counted,
    Optical,
}

const fn q(table: &'static str, key: &'static str, words: &'static str, for_whom: For) -> Question {
    Question { table, key, words, is_word: false, for_whom }
}

/// In the order in which most pages show them.
const QUESTIONS: &[Question] = &[
    Question {
        table: "",
        key: "technology",
        words: "Technology (adsl, adsl2, adsl2+, vdsl2, gfast, gpon, xgs-pon, ethernet)",
        is_word: true,
        for_whom: For::All,
    },
    Question {
        table: "",
        key: "profile",
        words: "Profile of the line, for instance 17a",
        is_word: true,
        for_whom: For::WithProfiles,
    },
    q("", "counted_over", "Seconds over which the page counts errored seconds, for instance 900", For::Copper),
    q("down", "rate", "Rate down, Mbit/s", For::All),
    q("down", "attainable", "Attainable rate down, Mbit/s", For::Copper),
    q("down", "margin", "Noise margin down, dB", For::Copper),
    q("down", "attenuation", "Attenuation down, dB", For::Copper),
    q("down", "errored_seconds", "Errored seconds down", For::Counted),
    q("down", "severely_errored_seconds", "Severely errored seconds down", For::Counted),
    q("up", "rate", "Rate up, Mbit/s", For::All),
    q("up", "attainable", "Attainable rate up, Mbit/s", For::Copper),
    q("up", "margin", "Noise margin up, dB", For::Copper),
    q("up", "attenuation", "Attenuation up, dB", For::Copper),
    q("up", "errored_seconds", "Errored seconds up", For::Counted),
    q("up", "severely_errored_seconds", "Severely errored seconds up", For::Counted),
    q("optical", "received", "Optical power received, dBm", For::Optical),
    q("optical", "sent", "Optical power sent, dBm", For::Optical),
];

/// Questions asked and answers given.
#[derive(Debug, Default)]
pub struct Interview {
    at: usize,
    answers: Vec<(Question, String)>,
}

impl Interview {
    /// The question that is to be asked; `None` when all are.
    pub fn question(&self) -> Option<&'static str> {
        QUESTIONS.get(self.at).map(|question| question.words)
    }

    /// Takes an answer; an empty one says that the page does not show it.
    ///
    /// # Errors
    /// What is wrong with the answer; the question stays.
    pub fn answer(&mut self, answer: &str) -> Result<(), String> {
        let Some(question) = QUESTIONS.get(self.at) else { return Ok(()) };
        let answer = answer.trim();
        if answer.is_empty() {
            if self.at == 0 {
                return Err("nothing else can be read without the technology".to_owned());
            }
        } else {
            self.answers.push((*question, answer.to_owned()));
            if let Err(error) = self.facts() {
                self.answers.pop();
                return Err(match error {
                    LineError::Invalid { problems, .. } => problems.first().map_or_else(String::new, |p| match &p.allowed {
                        Some(allowed) => format!("{}; allowed: {allowed}", p.what),
                        None => p.what.clone(),
                    }),
                    other => other.to_string(),
                });
            }
        }
        self.at += 1;
        while QUESTIONS.get(self.at).is_some_and(|next| !self.applies(next.for_whom)) {
            self.at += 1;
        }
        Ok(())
    }

    /// What was answered so far, as facts.
    ///
    /// # Errors
    /// When the answers do not hold; not after an [`Interview::answer`] that was taken.
    pub fn facts(&self) -> Result<LineFacts, LineError> {
        parse(&self.text(), "what was typed")
    }

    /// The answers as the text of a file.
    fn text(&self) -> String {
        let mut text = String::new();
        for table in ["", "down", "up", "optical"] {
            let of_table: Vec<_> = self.answers.iter().filter(|(question, _)| question.table == table).collect();
            if !table.is_empty() && !of_table.is_empty() {
                let _ = writeln!(text, "\n[{table}]");
            }
            for (question, answer) in of_table {
                let value = if question.is_word { toml::Value::String(answer.clone()).to_string() } else { answer.clone() };
                let _ = writeln!(text, "{} = {value}", question.key);
            }
        }
        text
    }

    fn applies(&self, to: For) -> bool {
        let Ok(facts) = self.facts() else { return false };
        let kind: AccessKind = facts.technology;
        match to {
            For::All => true,
            For::WithProfiles => !kind.profiles().is_empty(),
            For::Copper => kind.is_copper(),
            For::Counted => kind.is_copper() && facts.counted_over_s.is_some(),
            For::Optical => kind.is_optical(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Answers by the beginning of the question; what is not listed stays empty.
    fn interview(answers: &[(&str, &str)]) -> LineFacts {
        let mut interview = Interview::default();
        let mut asked = Vec::new();
        while let Some(question) = interview.question() {
            asked.push(question);
            let answer = answers.iter().find(|(start, _)| question.starts_with(start)).map_or("", |(_, answer)| answer);
            interview.answer(answer).unwrap();
        }
        for (start, _) in answers {
            assert!(asked.iter().any(|question| question.starts_with(start)), "{start} was never asked: {asked:?}");
        }
        interview.facts().unwrap()
    }

    #[test]
    fn the_answers_become_the_facts_that_a_file_would_give() {
        let facts = interview(&[
            ("Technology", "vdsl2"),
            ("Profile", "17a"),
            ("Seconds over", "900"),
            ("Rate down", "105.3"),
            ("Noise margin down", "-1.5"),
            ("Errored seconds up", "2"),
        ]);
        let file = "technology = \"vdsl2\"\nprofile = \"17a\"\ncounted_over = 900\n\n[down]\nrate = 105.3\nmargin = -1.5\n\n[up]\nerrored_seconds = 2\n";
        assert_eq!(facts, parse(file, "a file").unwrap());
    }

    #[test]
    fn only_what_the_technology_has_is_asked() {
        let facts = interview(&[("Technology", "gpon"), ("Optical power received", "-19.5")]);
        assert_eq!(facts.received_dbm, Some(-19.5));
        let mut copper = Interview::default();
        copper.answer("adsl2+").unwrap();
        let mut asked = Vec::new();
        while let Some(question) = copper.question() {
            asked.push(question);
            copper.answer("").unwrap();
        }
        assert!(
            !asked.iter().any(|q| q.contains("Optical") || q.contains("Profile") || q.contains("rrored seconds down")),
            "{asked:?}"
        );
    }

    #[test]
    fn a_wrong_answer_is_refused_with_the_reason_and_asked_again() {
        let mut interview = Interview::default();
        assert!(interview.answer("").unwrap_err().contains("technology"));
        assert!(interview.answer("vdls2").unwrap_err().contains("vdsl2"));
        assert!(interview.answer("adsl2+\"\nx = 1").is_err());
        interview.answer("adsl2+").unwrap();
        while interview.question() != Some("Rate down, Mbit/s") {
            interview.answer("").unwrap();
        }
        for wrong in ["16000", "fast", "-1", "1]\n[x", "nan"] {
            assert!(!interview.answer(wrong).unwrap_err().is_empty(), "{wrong}");
            assert_eq!(interview.question(), Some("Rate down, Mbit/s"));
        }
        interview.answer("16.2").unwrap();
        assert_eq!(interview.facts().unwrap().down.rate_mbit, Some(16.2));
    }
}

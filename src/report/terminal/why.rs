//! Why a visit ended as it did, as text for a terminal.

use super::{Look, NARROWEST, Page, verdict_words};
use crate::report::model::Mark;
use crate::report::why::Why;

/// Renders it; every line is at most as wide as the look says, and ends with a line end.
pub fn render_why(why: &Why, look: Look) -> String {
    let mut page = Page { text: String::new(), width: look.width.max(NARROWEST), colour: look.colour };
    page.paragraph(0, "For the customer");
    page.paragraph(2, &why.customer);
    page.heading("For an engineer");
    page.paragraph(2, &why.engineer);
    page.heading("How each verdict came about");
    if why.chains.is_empty() {
        page.paragraph(2, "Nothing was judged.");
    }
    for chain in &why.chains {
        let word = verdict_words(chain.verdict);
        let painted = page.painted(word, Mark::Judged(chain.verdict));
        page.text.push('\n');
        page.wrapped(&format!("  {painted}  "), word.len() + 4, &chain.name, 4);
        for (lead, text) in &chain.links {
            page.hanging(4, &format!("{lead}: "), text);
        }
    }
    page.text
}

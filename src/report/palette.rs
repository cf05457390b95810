//! The colours of reports on pages, for light and dark; a test computes the contrast of every pair that is used.
//!
//! Colours only add: every verdict is a word, every line has dashes, every mark a form.

/// A colour by its name, for light and for dark, as `#rrggbb`.
#[derive(Debug, Clone, Copy)]
pub struct Colour {
    /// Name of its part.
    pub name: &'static str,
    /// On a light page and on paper.
    pub light: &'static str,
    /// On a dark page.
    pub dark: &'static str,
}

/// All colours.
pub const COLOURS: &[Colour] = &[
    Colour { name: "page", light: "#fcfbf7", dark: "#11161b" },
    Colour { name: "text", light: "#1b2127", dark: "#e9e6dd" },
    Colour { name: "faint", light: "#4e5760", dark: "#aeb6bd" },
    Colour { name: "grid", light: "#d8d4c7", dark: "#39424b" },
    Colour { name: "soft", light: "#e2ddcd", dark: "#2c353e" },
    Colour { name: "first", light: "#0c5a80", dark: "#6cb8e0" },
    Colour { name: "second", light: "#95420c", dark: "#f0a56e" },
    Colour { name: "third", light: "#5a3e92", dark: "#c0aaf0" },
    Colour { name: "fourth", light: "#2c6a2e", dark: "#8fce8c" },
    Colour { name: "lost", light: "#a01c24", dark: "#ff948c" },
    Colour { name: "pass", light: "#175c3a", dark: "#74cb98" },
    Colour { name: "fail", light: "#9b1c1c", dark: "#ff9a90" },
    Colour { name: "open", light: "#6f4c00", dark: "#e6bd63" },
];

/// The colour with a name, on a light page.
pub fn light(name: &str) -> [u8; 3] {
    COLOURS.iter().find(|colour| colour.name == name).map_or([0, 0, 0], |colour| octets(colour.light))
}

fn octets(colour: &str) -> [u8; 3] {
    let octet = |at: usize| colour.get(at..at + 2).and_then(|digits| u8::from_str_radix(digits, 16).ok()).unwrap_or(0);
    [octet(1), octet(3), octet(5)]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance (WCAG 2.2, definition of relative luminance).
    fn luminance(colour: &str) -> f64 {
        let part = |octet: u8| {
            let share = f64::from(octet) / 255.0;
            if share <= 0.04045 { share / 12.92 } else { ((share + 0.055) / 1.055).powf(2.4) }
        };
        let [red, green, blue] = octets(colour).map(part);
        0.2126 * red + 0.7152 * green + 0.0722 * blue
    }

    /// Contrast ratio (WCAG 2.2, definition of contrast ratio).
    fn contrast(one: &str, other: &str) -> f64 {
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    #[test]
    fn the_contrast_formula_gives_the_standards_ends() {
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
        assert!((contrast("#777777", "#777777") - 1.0).abs() < 1e-9);
        // Common practice: #767676 is the lightest grey that passes on white.
        assert!(contrast("#767676", "#ffffff") >= 4.5 && contrast("#777777", "#ffffff") < 4.5);
    }

    #[test]
    fn every_pair_of_text_and_ground_has_at_least_4_5_to_1_and_every_mark_3_to_1() {
        // WCAG 2.2 success criteria 1.4.3 (text) and 1.4.11 (graphical objects).
        let texts = [
            ("text", "page"),
            ("faint", "page"),
            ("pass", "page"),
            ("fail", "page"),
            ("open", "page"),
            ("page", "pass"),
            ("page", "fail"),
            ("page", "open"),
            ("first", "page"),
        ];
        let marks = [
            ("first", "page"),
            ("second", "page"),
            ("third", "page"),
            ("fourth", "page"),
            ("lost", "page"),
            ("lost", "soft"),
            ("first", "soft"),
            ("faint", "soft"),
        ];
        let colour = |name: &str| COLOURS.iter().find(|c| c.name == name).unwrap_or_else(|| panic!("no colour {name}"));
        for (least, pairs) in [(4.5, texts.as_slice()), (3.0, marks.as_slice())] {
            for (over, under) in pairs {
                let (over, under) = (colour(over), colour(under));
                for (one, other) in [(over.light, under.light), (over.dark, under.dark)] {
                    let found = contrast(one, other);
                    assert!(found >= least, "{} {one} on {} {other}: {found:.2} to 1", over.name, under.name);
                }
            }
        }
    }
}

//! The command line: what was typed, then what it means. The only room that prints.

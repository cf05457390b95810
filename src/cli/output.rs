//! Standard output and error: results to the one, all else to the other; a closed pipe ends quietly.

use std::io::{self, IsTerminal, Write};

/// Writes a result to standard output with a line end. A closed pipe is not an error: whoever read has enough.
pub(super) fn result(text: &str) -> io::Result<()> {
    octets(text.as_bytes())?;
    if text.ends_with('\n') { Ok(()) } else { octets(b"\n") }
}

/// Writes a document to standard output as it is. A closed pipe is not an error here either.
pub(super) fn octets(document: &[u8]) -> io::Result<()> {
    let mut out = io::stdout().lock();
    match out.write_all(document).and_then(|()| out.flush()) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

/// Writes a piece of a result to standard output as it is. A closed pipe is told by its error, so that whoever writes much can stop.
pub(super) fn piece(text: &str) -> io::Result<()> {
    io::stdout().lock().write_all(text.as_bytes())
}

/// Writes a line to standard error; there is nowhere to tell that it failed.
pub(super) fn note(text: &str) {
    let _ = writeln!(io::stderr().lock(), "{text}");
}

/// Whether results may be coloured: standard output is a terminal and NO_COLOR is not set.
pub(super) fn may_colour() -> bool {
    io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty())
}

/// Whether somebody can be asked: both ends are a terminal.
pub(super) fn can_ask() -> bool {
    io::stdin().is_terminal() && io::stderr().is_terminal()
}

/// Asks a question that is answered by a line of text; `None` when no more answers come.
pub(super) fn ask_words(question: &str) -> Option<String> {
    let _ = write!(io::stderr().lock(), "{question}: ");
    let mut answer = String::new();
    io::stdin().read_line(&mut answer).ok().filter(|octets| *octets > 0).map(|_| answer)
}

/// Asks a question that is answered by yes or no; anything but yes is no.
pub(super) fn ask(question: &str) -> bool {
    let _ = write!(io::stderr().lock(), "{question} [yes/no] ");
    let mut answer = String::new();
    io::stdin().read_line(&mut answer).is_ok() && matches!(answer.trim().to_ascii_lowercase().as_str(), "y" | "yes")
}

/// Asks for a line of text.
pub(super) fn ask_line(question: &str) -> io::Result<String> {
    write!(io::stderr().lock(), "{question}: ")?;
    let mut answer = String::new();
    io::stdin().read_line(&mut answer)?;
    Ok(answer.trim_end_matches(['\n', '\r']).to_owned())
}

/// Asks for a line of text that is not shown while it is typed.
pub(super) fn ask_secret(question: &str) -> io::Result<String> {
    use nix::sys::termios::{LocalFlags, SetArg, tcgetattr, tcsetattr};
    let stdin = io::stdin();
    let shown = tcgetattr(&stdin)?;
    let mut hidden = shown.clone();
    hidden.local_flags.remove(LocalFlags::ECHO);
    tcsetattr(&stdin, SetArg::TCSANOW, &hidden)?;
    let answer = ask_line(question);
    tcsetattr(&stdin, SetArg::TCSANOW, &shown)?;
    writeln!(io::stderr().lock())?;
    answer
}

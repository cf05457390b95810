//! Writes the seeds of every parser to `corpus/NAME`, where `cargo fuzz` looks for them.

use std::path::Path;

fn main() -> std::io::Result<()> {
    for parser in doorstep_fuzz::PARSERS {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus").join(parser.name);
        std::fs::create_dir_all(&folder)?;
        for (n, seed) in (parser.seeds)().into_iter().enumerate() {
            std::fs::write(folder.join(format!("seed-{n:02}")), seed)?;
        }
    }
    Ok(())
}

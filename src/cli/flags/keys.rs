//! What can be typed of keys, and of the handbook that packages carry.

use std::path::PathBuf;

use clap::{Args, Subcommand};

/// Arguments of `keys`.
#[derive(Debug, Args)]
pub struct KeysArgs {
    /// What to do with keys.
    #[command(subcommand)]
    pub action: KeysAction,
}

/// Actions on keys.
#[derive(Debug, Subcommand)]
pub enum KeysAction {
    /// Print the own public key, made if there is none yet: hand it to whoever is to trust your records.
    Show,
    /// List the own key and the trusted ones: short name, key, whose it is.
    List,
    /// Trust the records of a key from now on; make sure by another way that it is theirs.
    Trust {
        /// Whose it is, one word.
        #[arg(value_name = "NAME")]
        name: String,
        /// The public key, 64 hexadecimal digits.
        #[arg(value_name = "KEY")]
        key: String,
    },
    /// Trust a key no longer.
    Distrust {
        /// The name that it was trusted under.
        #[arg(value_name = "NAME")]
        name: String,
    },
}

/// Arguments of `handbook`.
#[derive(Debug, Args)]
pub struct HandbookArgs {
    /// Where to write; made when missing.
    #[arg(value_name = "DIR")]
    pub directory: PathBuf,
}

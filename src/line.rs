//! What is known of the access line before anything is measured: how it carries a packet, and what the modem's page shows.
//!
//! [`carriage`] counts the octets that a full packet takes on each layer, [`limits`] knows what a technology can physically
//! show, [`facts`] reads what a technician typed against that, and [`interview`] asks for it question by question. The room
//! must not know profiles, checks or verdicts. The hard thing: nobody measured these figures, so each says that it was typed.

pub mod carriage;
pub mod facts;
pub mod interview;
pub mod limits;

pub use carriage::{Atm, Encapsulation, FullPacket, TcpOptions, Technology, frame_rate};
pub use facts::{LineError, LineFacts, TYPED_IN, WayFacts, load, parse};
pub use interview::Interview;
pub use limits::AccessKind;

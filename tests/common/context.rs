//! What a check is given, for tests that run one alone.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use std::sync::Arc;
use std::time::Duration;

use doorstep::check::{Access, Context, Effort, Interface, Known};
use doorstep::unit::{Depth, Position};
use doorstep::wire::dhcp4::Introduction;
use doorstep::wire::vlan::TagStack;
use tokio_util::sync::CancellationToken;

/// A context on the port `lan0` at the gateway: nothing was sold, no far end.
pub(crate) fn context_at(index: u32, mac: [u8; 6], known: Known, depth: Depth) -> Context {
    Context {
        port: Interface { name: "lan0".into(), index, mac },
        vlan: TagStack::NONE,
        access: Access::Ethernet,
        interface: Interface { name: "lan0".into(), index, mac },
        known: Arc::new(known),
        effort: Effort {
            depth,
            sold_down_mbit: 0.0,
            sold_up_mbit: 0.0,
            streams: 4,
            load_time: Duration::from_secs(4),
            max_octets: None,
            confidence: 0.95,
            dscp: 0,
            capacity: Default::default(),
            classes: None,
            voice: Default::default(),
            sizes: doorstep::plan::Sizes::NONE,
        },
        dhcp4: Introduction::default(),
        pages: Default::default(),
        sip: Default::default(),
        tv: Default::default(),
        position: Position::Gateway,
        far_end: None,
        settling: None,
        cancel: CancellationToken::new(),
        live: Arc::new(|_| {}),
    }
}

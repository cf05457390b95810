//! A port inside the VLAN, over which the visit runs: frames are tagged on the way out and untagged on the way in.

use std::io;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use crate::check::{Context, Holding, Interface, carried};
use crate::net::carry::{Carrier, Envelope};
use crate::net::configure;
use crate::net::offload::WholeFrames;
use crate::net::tun::{Kind, Tun};
use crate::reading::Outcome;

/// The port for as long as the visit takes.
pub(super) struct InVlan {
    carrier: Carrier,
    mac: [u8; 6],
    _whole_frames: WholeFrames,
}

/// Makes it, with the hardware address of the port under test. `mtu` is that port's.
pub(super) async fn enter(context: &Context, mtu: u32) -> io::Result<InVlan> {
    let whole_frames = WholeFrames::on(&context.port.name)?;
    let tun = Tun::open(Kind::Ethernet)?;
    let mtu = mtu.saturating_sub(context.vlan.octets_inside_mtu() as u32);
    configure::raise(tun.index(), mtu, Some(context.port.mac)).await?;
    let carrier = Carrier::start(&context.port.name, tun, Envelope::Tags(context.vlan))?;
    Ok(InVlan { carrier, mac: context.port.mac, _whole_frames: whole_frames })
}

impl InVlan {
    pub(super) fn interface(&self) -> Interface {
        let (name, index) = self.carrier.port();
        Interface { name: name.to_owned(), index, mac: self.mac }
    }
}

impl Holding for InVlan {
    fn what(&self) -> String {
        format!("the port {} inside the VLAN", self.carrier.port().0)
    }

    fn closing_outcome(&mut self) -> BoxFuture<'_, Option<Outcome>> {
        std::future::ready(Some(carried::outcome(&self.carrier))).boxed()
    }

    fn release(self: Box<Self>) -> BoxFuture<'static, ()> {
        // Its threads end within a batch.
        std::future::ready(()).boxed()
    }
}

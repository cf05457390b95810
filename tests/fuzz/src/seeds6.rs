//! Input to start from for DHCPv6; see [`super::seeds`].

use std::net::Ipv6Addr;

use doorstep::wire::dhcp6::{Association, Duid, Head, Item, Message, MessageType, status};
use doorstep::wire::ethernet::Mac;

const HERE: Ipv6Addr = Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 9);

fn base(kind: MessageType) -> Message {
    let duid = Duid::of_mac(Mac([2, 0, 0x5e, 0, 0, 9]));
    Message::new(kind, 0x12_3456).with(Item::ClientId(duid.clone())).with(Item::ServerId(duid))
}

fn reply() -> Message {
    let fine = || vec![Item::Status(status::SUCCESS, "fine".to_owned())];
    let address = Item::Address { address: HERE, preferred_s: 600, valid_s: 1200, items: fine() };
    let prefix = Item::Prefix { prefix: HERE, len: 56, preferred_s: 600, valid_s: 1200, items: fine() };
    let of = |id, items| Association { id, renew_s: 300, rebind_s: 480, items };
    base(MessageType::Reply)
        .with(Item::Preference(7))
        .with(Item::RapidCommit)
        .with(Item::Addresses(of(1, vec![address.clone()])))
        .with(Item::Prefixes(of(2, vec![prefix])))
        .with(Item::Temporary { id: 3, items: vec![address] })
        .with(Item::Resolvers(vec![HERE, HERE]))
        .with(Item::Search(vec!["example.net".to_owned(), "lab.example.net".to_owned()]))
        .with(Item::Aftr("aftr.example.net".to_owned()))
        .with(Item::SolMaxRt(3600))
        .with(Item::InfMaxRt(3600))
        .with(Item::Refresh(86_400))
        .with(Item::UserClass(vec![b"home".to_vec()]))
        .with(Item::VendorClass(32_473, vec![b"abc".to_vec(), b"de".to_vec()]))
        .with(Item::VendorOptions(32_473, vec![(1, b"xy".to_vec())]))
}

pub(super) fn dhcp6() -> Vec<Vec<u8>> {
    let solicit = base(MessageType::Solicit)
        .with(Item::Elapsed(100))
        .with(Item::Request(vec![23, 24, 64, 82]))
        .with(Item::Addresses(Association::new(1)))
        .with(Item::Prefixes(Association::new(2)));
    let relayed = Message {
        kind: MessageType::RelayReply,
        head: Head::Relay { hops: 1, link: HERE, peer: HERE },
        items: vec![Item::Interface(b"port7".to_vec()), Item::Relayed(reply().emit())],
    };
    [reply(), solicit, relayed].iter().map(Message::emit).collect()
}

pub(super) fn worst_dhcp6() -> Vec<Vec<u8>> {
    let head = [7, 0, 0, 1];
    let many = [0, 13, 0, 2, 0, 0].repeat(10_000);
    let labels = [&[0, 24, 0xff, 0xf0][..], &b"\x01a\0".repeat(21_840)].concat();
    // Associations in one another, each as long as what is left.
    let mut nested = Vec::new();
    for _ in 0..2_000 {
        let mut outer = vec![0, 3];
        outer.extend(u16::try_from(nested.len() + 12).expect("it fits").to_be_bytes());
        outer.extend([0; 12]);
        outer.extend(nested);
        nested = outer;
    }
    [many, labels, nested].iter().map(|options| [&head[..], options].concat()).collect()
}

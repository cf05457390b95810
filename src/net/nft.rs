//! Source NAT (masquerade) and redirection of a port to the place itself, each by one nftables transaction, made by hand.
//!
//! The same as `table ip nat { chain post { type nat hook postrouting priority srcnat; oifname "wan" masquerade } }` and
//! `table ip trap { chain pre { type nat hook prerouting priority dstnat; tcp dport 80 redirect to :8080 } }`.

use std::io;

use super::netlink::{Conversation, Message, NLM_F_CREATE, NetlinkError};
use super::netns::Namespace;

// linux/netfilter/nfnetlink.h
const BATCH_BEGIN: u16 = 0x10;
const BATCH_END: u16 = 0x11;
const NFNL_SUBSYS_NFTABLES: u16 = 10;
const NFPROTO_IPV4: u8 = 2;
const NFPROTO_IPV6: u8 = 10;
// linux/netfilter/nf_tables.h
const NFT_MSG_NEWTABLE: u16 = NFNL_SUBSYS_NFTABLES << 8;
const NFT_MSG_NEWCHAIN: u16 = NFNL_SUBSYS_NFTABLES << 8 | 3;
const NFT_MSG_NEWRULE: u16 = NFNL_SUBSYS_NFTABLES << 8 | 6;
const NFTA_TABLE_NAME: u16 = 1;
const NFTA_CHAIN_TABLE: u16 = 1;
const NFTA_CHAIN_NAME: u16 = 3;
const NFTA_CHAIN_HOOK: u16 = 4;
const NFTA_CHAIN_TYPE: u16 = 7;
const NFTA_HOOK_HOOKNUM: u16 = 1;
const NFTA_HOOK_PRIORITY: u16 = 2;
const NFTA_RULE_TABLE: u16 = 1;
const NFTA_RULE_CHAIN: u16 = 2;
const NFTA_RULE_EXPRESSIONS: u16 = 4;
const NFTA_LIST_ELEM: u16 = 1;
const NFTA_EXPR_NAME: u16 = 1;
const NFTA_EXPR_DATA: u16 = 2;
const NFTA_META_DREG: u16 = 1;
const NFTA_META_KEY: u16 = 2;
const NFTA_CMP_SREG: u16 = 1;
const NFTA_CMP_OP: u16 = 2;
const NFTA_CMP_DATA: u16 = 3;
const NFTA_DATA_VALUE: u16 = 1;
const NFTA_PAYLOAD_DREG: u16 = 1;
const NFTA_PAYLOAD_BASE: u16 = 2;
const NFTA_PAYLOAD_OFFSET: u16 = 3;
const NFTA_PAYLOAD_LEN: u16 = 4;
const NFT_PAYLOAD_TRANSPORT_HEADER: u32 = 2;
const NFTA_IMMEDIATE_DREG: u16 = 1;
const NFTA_IMMEDIATE_DATA: u16 = 2;
const NFTA_REDIR_REG_PROTO_MIN: u16 = 1;
const NFT_META_L4PROTO: u32 = 16;
const NFT_REG_1: u32 = 1;
const NFT_META_OIFNAME: u32 = 7;
const NFT_CMP_EQ: u32 = 0;
const NF_INET_PRE_ROUTING: u32 = 0;
const NF_INET_POST_ROUTING: u32 = 4;
/// NF_IP_PRI_NAT_DST
const PRIORITY_DSTNAT: i32 = -100;
/// NF_IP_PRI_NAT_SRC
const PRIORITY_SRCNAT: i32 = 100;

/// `struct nfgenmsg`: family, version, resource (big endian).
fn header(family: u8, resource: u16) -> [u8; 4] {
    let [high, low] = resource.to_be_bytes();
    [family, 0, high, low]
}

/// One expression of a rule.
fn expression(list: &mut Message, name: &str, data: impl FnOnce(&mut Message)) {
    list.nest(NFTA_LIST_ELEM, |element| {
        element.attr_str(NFTA_EXPR_NAME, name);
        element.nest(NFTA_EXPR_DATA, data);
    });
}

fn be(value: u32) -> [u8; 4] {
    value.to_be_bytes()
}

/// A place for one rule of address translation.
struct Hook {
    family: u8,
    table: &'static str,
    chain: &'static str,
    number: u32,
    priority: i32,
}

/// The transaction that makes table, chain and rule.
fn batch(hook: &Hook, expressions: impl FnOnce(&mut Message)) -> Vec<Message> {
    let mut table = Message::new(NFT_MSG_NEWTABLE, NLM_F_CREATE, &header(hook.family, 0));
    table.attr_str(NFTA_TABLE_NAME, hook.table);
    let mut chain = Message::new(NFT_MSG_NEWCHAIN, NLM_F_CREATE, &header(hook.family, 0));
    chain.attr_str(NFTA_CHAIN_TABLE, hook.table);
    chain.attr_str(NFTA_CHAIN_NAME, hook.chain);
    chain.nest(NFTA_CHAIN_HOOK, |place| {
        place.attr(NFTA_HOOK_HOOKNUM, &be(hook.number));
        place.attr(NFTA_HOOK_PRIORITY, &hook.priority.to_be_bytes());
    });
    chain.attr_str(NFTA_CHAIN_TYPE, "nat");
    let mut rule = Message::new(NFT_MSG_NEWRULE, NLM_F_CREATE, &header(hook.family, 0));
    rule.attr_str(NFTA_RULE_TABLE, hook.table);
    rule.attr_str(NFTA_RULE_CHAIN, hook.chain);
    rule.nest(NFTA_RULE_EXPRESSIONS, expressions);
    let frame = |kind| Message::unacknowledged(kind, &header(0, NFNL_SUBSYS_NFTABLES));
    vec![frame(BATCH_BEGIN), table, chain, rule, frame(BATCH_END)]
}

/// Loads a field of what the kernel knows of a packet, and goes on only where it is this.
fn meta_is(list: &mut Message, key: u32, value: &[u8]) {
    expression(list, "meta", |meta| {
        meta.attr(NFTA_META_DREG, &be(NFT_REG_1));
        meta.attr(NFTA_META_KEY, &be(key));
    });
    register_is(list, value);
}

fn register_is(list: &mut Message, value: &[u8]) {
    expression(list, "cmp", |cmp| {
        cmp.attr(NFTA_CMP_SREG, &be(NFT_REG_1));
        cmp.attr(NFTA_CMP_OP, &be(NFT_CMP_EQ));
        cmp.nest(NFTA_CMP_DATA, |data| data.attr(NFTA_DATA_VALUE, value));
    });
}

fn masquerade_batch(interface: &str) -> Vec<Message> {
    // The register holds the whole name field, zero-filled.
    let mut name = [0; libc::IFNAMSIZ];
    for (to, from) in name.iter_mut().zip(interface.bytes()) {
        *to = from;
    }
    let (number, priority) = (NF_INET_POST_ROUTING, PRIORITY_SRCNAT);
    batch(&Hook { family: NFPROTO_IPV4, table: "nat", chain: "post", number, priority }, |list| {
        meta_is(list, NFT_META_OIFNAME, &name);
        expression(list, "masq", |_| {});
    })
}

fn redirect_batch(family: u8, carried: Carried, from: u16, to: u16) -> Vec<Message> {
    let (number, priority) = (NF_INET_PRE_ROUTING, PRIORITY_DSTNAT);
    batch(&Hook { family, table: "trap", chain: "pre", number, priority }, |list| {
        meta_is(list, NFT_META_L4PROTO, &[carried as u8]);
        // The destination port (RFC 9293 section 3.1, RFC 768).
        expression(list, "payload", |payload| {
            payload.attr(NFTA_PAYLOAD_DREG, &be(NFT_REG_1));
            payload.attr(NFTA_PAYLOAD_BASE, &be(NFT_PAYLOAD_TRANSPORT_HEADER));
            payload.attr(NFTA_PAYLOAD_OFFSET, &be(2));
            payload.attr(NFTA_PAYLOAD_LEN, &be(2));
        });
        register_is(list, &from.to_be_bytes());
        expression(list, "immediate", |immediate| {
            immediate.attr(NFTA_IMMEDIATE_DREG, &be(NFT_REG_1));
            immediate.nest(NFTA_IMMEDIATE_DATA, |data| data.attr(NFTA_DATA_VALUE, &to.to_be_bytes()));
        });
        expression(list, "redir", |redirect| redirect.attr(NFTA_REDIR_REG_PROTO_MIN, &be(NFT_REG_1)));
    })
}

/// Gives all IPv4 that leaves a namespace by `interface` that interface's address.
///
/// # Errors
/// [`NetlinkError::is_unsupported`] when the kernel has no nf_tables or no masquerade.
pub fn masquerade(namespace: &Namespace, interface: &str) -> Result<(), NetlinkError> {
    let doing = || format!("setting up address translation (nf_tables masquerade) on {interface}");
    load(namespace, doing, masquerade_batch(interface))
}

/// What is led elsewhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Carried {
    /// Connections of TCP.
    Tcp = libc::IPPROTO_TCP as u8,
    /// Datagrams of UDP.
    Udp = libc::IPPROTO_UDP as u8,
}

/// Leads all that comes through a namespace to a port to a port of its own, over either IP version.
///
/// # Errors
/// [`NetlinkError::is_unsupported`] when the kernel has no nf_tables or no redirection.
pub fn redirect(namespace: &Namespace, carried: Carried, from: u16, to: u16) -> Result<(), NetlinkError> {
    let doing = || format!("leading {carried:?} port {from} to {to} (nf_tables redirect)");
    for family in [NFPROTO_IPV4, NFPROTO_IPV6] {
        load(namespace, doing, redirect_batch(family, carried, from, to))?;
    }
    Ok(())
}

fn load(namespace: &Namespace, doing: impl Fn() -> String, batch: Vec<Message>) -> Result<(), NetlinkError> {
    let refused = |source: io::Error| NetlinkError { doing: doing(), hint: None, source };
    let mut conversation = Conversation::open(namespace, libc::NETLINK_NETFILTER).map_err(refused)?;
    conversation.batch(&doing, batch)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(namespace: &Namespace) -> String {
        let shown = namespace.command("nft").args(["list", "ruleset"]).output().expect("nft");
        String::from_utf8_lossy(&shown.stdout).split_whitespace().collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn the_kernel_shows_the_rule_as_it_was_meant() {
        let namespace = Namespace::new("test").expect("root");
        masquerade(&namespace, "wan").expect("nf_tables");
        assert_eq!(
            shown(&namespace),
            "table ip nat { chain post { type nat hook postrouting priority srcnat; policy accept; oifname \"wan\" masquerade } }"
        );
    }

    #[test]
    fn the_kernel_shows_a_redirection_of_both_versions_as_it_was_meant() {
        let namespace = Namespace::new("test").expect("root");
        redirect(&namespace, Carried::Tcp, 80, 8080).expect("nf_tables");
        let of = |family: &str| {
            format!(
                "table {family} trap {{ chain pre {{ type nat hook prerouting priority dstnat; policy accept; tcp dport 80 redirect to :8080 }} }}"
            )
        };
        assert_eq!(shown(&namespace), format!("{} {}", of("ip"), of("ip6")));
    }
}

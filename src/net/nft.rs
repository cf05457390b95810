//! Source NAT (masquerade) by one nftables transaction, made by hand.
//!
//! The same as `table ip nat { chain post { type nat hook postrouting priority srcnat; oifname "wan" masquerade } }`.

use std::io;

use super::netlink::{Conversation, Message, NLM_F_CREATE, NetlinkError};
use super::netns::Namespace;

// linux/netfilter/nfnetlink.h
const BATCH_BEGIN: u16 = 0x10;
const BATCH_END: u16 = 0x11;
const NFNL_SUBSYS_NFTABLES: u16 = 10;
const NFPROTO_IPV4: u8 = 2;
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
const NFT_REG_1: u32 = 1;
const NFT_META_OIFNAME: u32 = 7;
const NFT_CMP_EQ: u32 = 0;
const NF_INET_POST_ROUTING: u32 = 4;
/// NF_IP_PRI_NAT_SRC
const PRIORITY_SRCNAT: u32 = 100;

const TABLE: &str = "nat";
const CHAIN: &str = "post";

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

fn masquerade_batch(interface: &str) -> Vec<Message> {
    let mut table = Message::new(NFT_MSG_NEWTABLE, NLM_F_CREATE, &header(NFPROTO_IPV4, 0));
    table.attr_str(NFTA_TABLE_NAME, TABLE);
    let mut chain = Message::new(NFT_MSG_NEWCHAIN, NLM_F_CREATE, &header(NFPROTO_IPV4, 0));
    chain.attr_str(NFTA_CHAIN_TABLE, TABLE);
    chain.attr_str(NFTA_CHAIN_NAME, CHAIN);
    chain.nest(NFTA_CHAIN_HOOK, |hook| {
        hook.attr(NFTA_HOOK_HOOKNUM, &be(NF_INET_POST_ROUTING));
        hook.attr(NFTA_HOOK_PRIORITY, &be(PRIORITY_SRCNAT));
    });
    chain.attr_str(NFTA_CHAIN_TYPE, "nat");
    let mut rule = Message::new(NFT_MSG_NEWRULE, NLM_F_CREATE, &header(NFPROTO_IPV4, 0));
    rule.attr_str(NFTA_RULE_TABLE, TABLE);
    rule.attr_str(NFTA_RULE_CHAIN, CHAIN);
    // The register holds the whole name field, zero-filled.
    let mut name = [0; libc::IFNAMSIZ];
    for (to, from) in name.iter_mut().zip(interface.bytes()) {
        *to = from;
    }
    rule.nest(NFTA_RULE_EXPRESSIONS, |list| {
        expression(list, "meta", |meta| {
            meta.attr(NFTA_META_DREG, &be(NFT_REG_1));
            meta.attr(NFTA_META_KEY, &be(NFT_META_OIFNAME));
        });
        expression(list, "cmp", |cmp| {
            cmp.attr(NFTA_CMP_SREG, &be(NFT_REG_1));
            cmp.attr(NFTA_CMP_OP, &be(NFT_CMP_EQ));
            cmp.nest(NFTA_CMP_DATA, |data| data.attr(NFTA_DATA_VALUE, &name));
        });
        expression(list, "masq", |_| {});
    });
    let frame = |kind| Message::unacknowledged(kind, &header(0, NFNL_SUBSYS_NFTABLES));
    vec![frame(BATCH_BEGIN), table, chain, rule, frame(BATCH_END)]
}

/// Gives all IPv4 that leaves a namespace by `interface` that interface's address.
///
/// # Errors
/// [`NetlinkError::is_unsupported`] when the kernel has no nf_tables or no masquerade.
pub fn masquerade(namespace: &Namespace, interface: &str) -> Result<(), NetlinkError> {
    let doing = || format!("setting up address translation (nf_tables masquerade) on {interface}");
    let refused = |source: io::Error| NetlinkError { doing: doing(), hint: None, source };
    let mut conversation = Conversation::open(namespace, libc::NETLINK_NETFILTER).map_err(refused)?;
    conversation.batch(doing, masquerade_batch(interface))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_kernel_shows_the_rule_as_it_was_meant() {
        let namespace = Namespace::new("test").expect("root");
        masquerade(&namespace, "wan").expect("nf_tables");
        let shown = namespace.command("nft").args(["list", "ruleset"]).output().expect("nft");
        let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
        let words = shown.split_whitespace().collect::<Vec<_>>().join(" ");
        assert_eq!(
            words,
            "table ip nat { chain post { type nat hook postrouting priority srcnat; policy accept; oifname \"wan\" masquerade } }"
        );
    }
}

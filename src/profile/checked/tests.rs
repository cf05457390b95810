use super::*;
use crate::profile::{Bound, Setting, Severity, TargetChoice};
use crate::reading::names;
use crate::unit::{Depth, Family, Position};

const GOOD: &str = r#"
name = "office-50-10"
title = "Office 50/10"

[sold]
down = 50
up = 10
layer = "ethernet"
basis = "invented"

[line]
technology = "vdsl2"
pppoe = true
vlan_tags = 1

[effort]
streams = 2
load_seconds = 10
confidence = 0.99
dscp = 46

[[criterion]]
name = "rate"
reading = "throughput.tcp_payload_rate"
direction = "down"
share_of_sold = 0.9
severity = "must"
basis = "invented"
depth = ["handoff", "soak"]

[[criterion]]
name = "resolvers"
reading = "dns.failure_ratio"
target = "every-resolver"
family = "ipv4"
at_most = 0.01
severity = "should"
basis = "invented"
"#;

fn problems(text: &str) -> String {
    match parse(text, "profile office.toml") {
        Ok(profile) => panic!("accepted: {profile:?}"),
        Err(error) => error.to_string(),
    }
}

fn with(from: &str, to: &str) -> String {
    assert!(GOOD.contains(from), "{from}");
    GOOD.replacen(from, to, 1)
}

#[test]
fn a_whole_profile_is_taken_as_meant() {
    let profile = parse(GOOD, "test").unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(profile.sold_mbit(), (50.0, 10.0));
    assert_eq!((profile.line.mtu, profile.line.pppoe, profile.line.vlan_tags), (1492, true, 1));
    assert_eq!((profile.streams(), profile.confidence(), profile.load_seconds(), profile.effort.dscp), (2, 0.99, Some(10), 46));
    assert!(!profile.effort.until_certain);
    let asked = GOOD.replace("dscp = 46", "until_certain = true");
    assert!(parse(&asked, "test").is_ok_and(|profile| profile.effort.until_certain));
    let [rate, resolvers] = &profile.criteria[..] else { panic!("{:?}", profile.criteria) };
    assert_eq!((rate.at_least, rate.at_most), (Some(Bound::ShareOfSold(0.9)), None));
    assert_eq!(rate.depths, [Depth::Handoff, Depth::Soak]);
    assert_eq!((resolvers.target, resolvers.family), (Some(TargetChoice::EveryResolver), Some(Family::Ipv4)));
    assert_eq!(resolvers.severity, Severity::Should);
}

#[test]
fn an_unknown_key_is_told_with_its_place_and_the_nearest() {
    insta::assert_snapshot!(problems(&with("share_of_sold", "share_of_sol")));
}

#[test]
fn an_unknown_reading_is_told_with_those_of_its_check() {
    insta::assert_snapshot!(problems(&with("throughput.tcp_payload_rate", "throughput.tcp_payload_rat")));
}

#[test]
fn an_unknown_check_is_told_with_all_checks() {
    insta::assert_snapshot!(problems(&with("dns.failure_ratio", "weather.rain")));
}

#[test]
fn everything_that_is_wrong_is_told_at_once() {
    let text = with("down = 50", "down = \"50\"");
    let text = text.replace("streams = 2", "streams = 0").replace("layer = \"ethernet\"", "layer = \"etherent\"");
    insta::assert_snapshot!(problems(&text.replacen("basis = \"invented\"\ndepth", "depth", 1)));
}

#[test]
fn text_that_is_not_toml_is_told_with_its_place() {
    insta::assert_snapshot!(problems(&with("up = 10", "up = = 10")));
}

#[test]
fn limits_that_no_figure_can_meet_are_refused() {
    let one = with("at_most = 0.01", "at_least = 0.5\nat_most = 0.01");
    assert!(problems(&one).contains("at_least 0.5 is larger than at_most 0.01"), "{}", problems(&one));
    let two = format!(
        "{GOOD}\n[[criterion]]\nname = \"other\"\nreading = \"dns.failure_ratio\"\ntarget = \"every-resolver\"\nfamily = \"ipv4\"\nat_least = 0.5\nseverity = \"must\"\nbasis = \"x\"\n"
    );
    assert!(problems(&two).contains("no figure can meet this limit and that of \"resolvers\""), "{}", problems(&two));
}

#[test]
fn limits_overlap_where_one_selects_all_of_what_the_other_names() {
    let with_other = |more: &str| {
        format!(
            "{GOOD}\n[[criterion]]\nname = \"other\"\nreading = \"dns.failure_ratio\"\ntarget = \"every-resolver\"\nat_least = 0.5\n\
             severity = \"must\"\nbasis = \"x\"\n{more}"
        )
    };
    let told = problems(&with_other(""));
    assert!(told.contains("let them hold at different depths, positions or directions"), "{told}");
    for apart in ["family = \"ipv6\"", "load = \"down\""] {
        parse(&with_other(apart), apart).unwrap_or_else(|error| panic!("{error}"));
    }
    let place = |at: &str| format!("at_most = 0.01\nposition = [\"{at}\"]");
    let both =
        |one: &str, other: &str| with_other(&format!("position = [\"{other}\"]")).replacen("at_most = 0.01", &place(one), 1);
    parse(&both("ont", "gateway"), "apart").unwrap_or_else(|error| panic!("{error}"));
    assert!(problems(&both("ont", "ont")).contains("no figure can meet this limit"));
}

#[test]
fn a_limit_holds_at_the_depths_and_positions_that_it_names() {
    let text = with("depth = [\"handoff\", \"soak\"]", "from_depth = \"handoff\"\nposition = [\"ont\", \"modem\"]");
    let profile = parse(&text, "test").unwrap_or_else(|error| panic!("{error}"));
    let applies = |depth, position| profile.criteria[0].applies(Setting { depth, position, ..Setting::default() });
    assert!(applies(Depth::Handoff, Position::Ont) && applies(Depth::Soak, Position::Modem));
    assert!(
        !applies(Depth::Quick, Position::Ont)
            && !applies(Depth::Soak, Position::Gateway)
            && !applies(Depth::Soak, Position::Inside)
    );
    assert!(profile.criteria[1].applies(Setting::default()), "without a word it holds everywhere");
}

#[test]
fn a_share_of_the_speed_budget_needs_no_sold_rate_but_a_direction() {
    let text = with("share_of_sold = 0.9", "share_of_budget = 0.9");
    assert_eq!(parse(&text, "test").unwrap().criteria[0].at_least, Some(Bound::ShareOfBudget(0.9)));
    let without = text.replacen("[sold]\ndown = 50\nup = 10\nlayer = \"ethernet\"\nbasis = \"invented\"\n", "", 1);
    parse(&without, "test").unwrap_or_else(|error| panic!("{error}"));
    let both = with("share_of_sold = 0.9", "share_of_sold = 0.9\nshare_of_budget = 0.9");
    assert!(problems(&both).contains("share_of_sold and share_of_budget are two lower limits; give one"), "{}", problems(&both));
}

#[test]
fn what_the_profile_s_own_line_can_t_give_is_refused_with_what_it_can() {
    let asking = |reading: &str, least: &str| {
        let text =
            with("share_of_sold = 0.9", &format!("at_least = {least}")).replacen("throughput.tcp_payload_rate", reading, 1);
        match parse(&text, "test") {
            Ok(_) => String::new(),
            Err(error) => error.to_string(),
        }
    };
    // 1000 x (1492 - 40) / (1492 + 18 + 20) = 949.02 without TCP options (RFC 6349 section 4.1.1, RFC 2516).
    assert!(asking("throughput.tcp_payload_rate", "950").contains("no more TCP payload; ask for at most 949"));
    assert_eq!(asking("throughput.tcp_payload_rate", "949"), "");
    assert!(asking("link.speed", "2500").contains("the profile's own port has 1000 Mbit/s ([line] port); ask for at most 1000"));
    assert!(asking("mtu.path_mtu", "1500").contains("the profile's own MTU is 1492 ([line] mtu); ask for at most 1492"));
}

#[test]
fn mistakes_of_meaning_are_refused_with_a_reason() {
    for (from, to, want) in [
        ("at_most = 0.01", "at_most = 1.5", "one per cent is 0.01"),
        ("at_most = 0.01", "at_most = \"1 %\"", "a number without its unit; dns.failure_ratio is in no unit (a share"),
        ("share_of_sold = 0.9", "at_least = \"45 Mbit/s\"", "throughput.tcp_payload_rate is in Mbit/s"),
        (
            "at_most = 0.01",
            "at_most = 0.01\nposition = []",
            "an empty list holds nowhere; name some of ont, modem, gateway, inside",
        ),
        ("at_most = 0.01", "at_most = 0.01\nposition = [\"ont\", \"ont\"]", "a word stands in the list twice"),
        ("at_most = 0.01", "at_most = 0.01\nposition = [\"on\"]", "perhaps meant: ont"),
        ("depth = [\"handoff\", \"soak\"]", "depth = [\"soak\"]\nfrom_depth = \"soak\"", "two ways to say the same; give one"),
        ("reading = \"dns.failure_ratio\"", "access = \"pppoe\"\nreading = \"dhcp4.offer_time\"", "write access = \"ethernet\""),
        ("share_of_sold = 0.9", "share_of_budget = 90", "a share of the speed budget lies above 0"),
        ("at_most = 0.01", "at_most = -1", "finite and not negative"),
        ("at_most = 0.01", "at_most = inf", "finite and not negative"),
        ("at_most = 0.01\n", "", "a criterion needs a limit"),
        ("share_of_sold = 0.9", "share_of_sold = 90", "90 per cent is 0.9"),
        ("direction = \"down\"\n", "", "needs to know which: down or up"),
        ("reading = \"throughput.tcp_payload_rate\"", "reading = \"link.speed\"", "only throughput.tcp_payload_rate"),
        ("reading = \"dns.failure_ratio\"", "reading = \"path.hop_loss_ratio\"", "silence of a router"),
        ("name = \"resolvers\"", "name = \"rate\"", "a second criterion with the name \"rate\""),
        ("basis = \"invented\"\ndepth", "basis = \" \"\ndepth", "the text is empty"),
        ("confidence = 0.99", "confidence = 99", "0.95 is usual"),
        ("dscp = 46", "dscp = 64", "between 0 and 63"),
        ("down = 50", "down = 0", "a sold rate of zero"),
        ("name = \"office-50-10\"", "name = \"Office 50\"", "small letters, digits and hyphens"),
        ("severity = \"must\"", "severity = \"maybe\"", "allowed: must, should, note"),
        ("depth = [\"handoff\", \"soak\"]", "depth = [\"handof\"]", "perhaps meant: handoff"),
        ("pppoe = true", "pppoe = \"yes\"", "it must be true or false"),
    ] {
        let told = problems(&with(from, to));
        assert!(told.contains(want), "{from} -> {to}: {told}");
    }
    assert!(problems("").contains("the key \"name\" is missing"));
}

#[test]
fn no_text_makes_the_parser_panic() {
    for end in 0..GOOD.len() {
        if GOOD.is_char_boundary(end) {
            let _ = parse(&GOOD[..end], "cut");
        }
    }
}

#[test]
fn every_reading_but_that_of_silent_routers_can_be_judged() {
    for spec in names::ALL.iter().filter(|s| s.name != "path.hop_loss_ratio") {
        let text = format!(
            "name = \"t\"\ntitle = \"t\"\n[[criterion]]\nname = \"c\"\nreading = \"{}\"\nat_most = 1\nseverity = \"must\"\nbasis = \"x\"\n",
            spec.name
        );
        parse(&text, spec.name).unwrap_or_else(|error| panic!("{error}"));
    }
}

#[test]
fn a_text_wrong_in_every_line_is_told_in_part_and_counted_in_whole() {
    let text = format!("{GOOD}\n{}", (0..30_000).map(|n| format!("k{n} = 1\n")).collect::<String>());
    let error = parse(&text, "all wrong").unwrap_err().to_string();
    assert_eq!(error.matches("\nline ").count(), 40, "{}", &error[..500]);
    assert!(error.ends_with("and 29960 more"), "{}", &error[error.len() - 300..]);
}

proptest::proptest! {
    #[test]
    fn any_text_is_parsed_or_refused_with_a_place(text in "\\PC{0,80}", at in 0..600_usize) {
        let mut spoilt = GOOD.to_owned();
        let at = (0..=at.min(GOOD.len())).rev().find(|i| GOOD.is_char_boundary(*i)).unwrap_or(0);
        spoilt.insert_str(at, &text);
        if let Err(ProfileError::Invalid { problems, .. }) = parse(&spoilt, "spoilt") {
            proptest::prop_assert!(!problems.is_empty());
            let lines = spoilt.matches('\n').count() + 1;
            proptest::prop_assert!(problems.iter().all(|p| (1..=lines).contains(&p.line) && p.column >= 1));
        }
    }
}

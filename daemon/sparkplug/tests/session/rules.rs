//! The rules of a session, one by one. Names are those that `CONFORMANCE.md` refers to.

use benchward_sparkplug::edge_node::{BD_SEQ, ECHO_WITHIN_MS, REBIRTH, REBIRTH_APART_MS};
use benchward_sparkplug::payload::{self, Payload, PropertyContent, Value};
use benchward_sparkplug::{Content, Device, EdgeNode, Input, Metric, Output, Picture, Quality, Sample};

use crate::node::{Told, bench, born, named, ncmd, picture, rebirth_request, settings, state, told};

/// Connects, as far as the births, which the broker hands back.
fn connect(node: &mut EdgeNode, now: u64) -> Vec<Told> {
    let births = connect_unechoed(node, now);
    let echo = Input::Received {
        topic: "spBv1.0/rework/NBIRTH/larkfield".into(),
        payload: Vec::new(),
    };
    assert_eq!(node.apply(now, echo), [], "an echo is no command");
    births
}

/// Connects, as far as the births. The broker hands nothing back.
fn connect_unechoed(node: &mut EdgeNode, now: u64) -> Vec<Told> {
    node.apply(now, Input::Opened);
    node.apply(now, Input::Connected);
    let granted = vec![true; 3];
    let mut out = node.apply(now, Input::Subscribed { granted });
    out.extend(node.apply(now, Input::Looked(picture(20.0))));
    told(&out)
}

fn metric<'a>(payload: &'a Payload, name: &str) -> &'a payload::Metric {
    named(payload, name).unwrap_or_else(|| panic!("no {name} in {payload:?}"))
}

fn property(metric: &payload::Metric, key: &str) -> Option<(u32, PropertyContent)> {
    let properties = metric.properties.as_ref()?;
    assert_eq!(properties.keys.len(), properties.values.len());
    let at = properties.keys.iter().position(|of| of == key)?;
    let value = &properties.values[at];
    Some((value.r#type?, value.value.clone()?))
}

#[test]
fn every_connect_has_a_death_as_its_will() {
    let mut node = EdgeNode::new(settings());
    let out = node.apply(1_000, Input::Opened);
    let [Output::Connect { will }] = &out[..] else {
        panic!("{out:?}")
    };
    assert_eq!(will.topic, "spBv1.0/rework/NDEATH/larkfield");
    assert!(will.at_least_once, "QoS 1");
    let payload = Payload::read(&will.payload).unwrap();
    assert_eq!(payload.seq, None, "a death has no number");
    let [only] = &payload.metrics[..] else {
        panic!("the session's number alone: {payload:?}")
    };
    assert_eq!((only.name.as_deref(), only.datatype), (Some(BD_SEQ), Some(4)));
    assert_eq!(only.value, Some(Value::Long(0)));
}

#[test]
fn each_connect_counts_one_further_and_255_is_followed_by_0() {
    let mut node = EdgeNode::new(settings());
    for expected in (0..=255).chain(0..=2) {
        let out = node.apply(5, Input::Opened);
        let [Output::Connect { will }] = &out[..] else {
            panic!("{out:?}")
        };
        let payload = Payload::read(&will.payload).unwrap();
        assert_eq!(payload.metrics[0].value, Some(Value::Long(expected)));
        node.apply(6, Input::Connected);
        node.apply(
            7,
            Input::Subscribed {
                granted: vec![true, true],
            },
        );
        let births = told(&node.apply(8, Input::Looked(picture(20.0))));
        assert_eq!(
            metric(&births[0].payload, BD_SEQ).value,
            Some(Value::Long(expected))
        );
        node.apply(9, Input::Closed);
    }
}

#[test]
fn it_listens_to_commands_before_it_says_anything() {
    let mut node = EdgeNode::new(settings());
    node.apply(1, Input::Opened);
    assert_eq!(told(&node.apply(1, Input::Looked(picture(20.0)))), []);
    assert_eq!(
        node.apply(2, Input::Connected),
        [Output::Subscribe(vec![
            "spBv1.0/rework/NCMD/larkfield".into(),
            "spBv1.0/rework/DCMD/larkfield/+".into(),
            "spBv1.0/rework/NBIRTH/larkfield".into(),
        ])]
    );
    assert_eq!(told(&node.apply(3, Input::Looked(picture(20.0)))), []);
    let births = told(&node.apply(
        4,
        Input::Subscribed {
            granted: vec![true, true],
        },
    ));
    assert_eq!(births[0].kind, "NBIRTH");
}

#[test]
fn a_broker_that_delivers_no_commands_is_left() {
    let mut node = EdgeNode::new(settings());
    node.apply(1, Input::Opened);
    node.apply(2, Input::Connected);
    let out = node.apply(
        3,
        Input::Subscribed {
            granted: vec![false, true],
        },
    );
    assert_eq!(told(&out), []);
    assert!(
        matches!(&out[..], [Output::Told(text), Output::Disconnect] if text.contains("spBv1.0/rework/NCMD/larkfield")),
        "{out:?}"
    );
    assert_eq!(node.apply(4, Input::Looked(picture(20.0))), []);
}

#[test]
fn births_say_everything_once_and_the_node_comes_first() {
    let mut node = EdgeNode::new(settings());
    let births = connect(&mut node, 5_000);
    let kinds: Vec<&str> = births.iter().map(|told| &*told.kind).collect();
    assert_eq!(kinds, ["NBIRTH", "DBIRTH", "DBIRTH"]);
    let seqs: Vec<Option<u64>> = births.iter().map(|told| told.payload.seq).collect();
    assert_eq!(seqs, [Some(0), Some(1), Some(2)]);
    assert!(
        births
            .iter()
            .all(|told| !told.at_least_once && told.payload.timestamp == Some(5_000))
    );
    assert_eq!(births[1].topic, "spBv1.0/rework/DBIRTH/larkfield/bench-1");
    for (born, like) in births
        .iter()
        .zip([&picture(20.0).node, &bench("bench-1", 20.0).metrics])
    {
        for like in like {
            let metric = metric(&born.payload, &like.name);
            assert_eq!(metric.datatype, Some(like.content.datatype().number()));
            assert_eq!(metric.timestamp, Some(5_000));
            assert_eq!(metric.value, like.content.value());
            assert_eq!(metric.is_null == Some(true), metric.value.is_none());
        }
    }
    assert!(
        births
            .iter()
            .flat_map(|told| &told.payload.metrics)
            .all(|m| m.is_historical.is_none())
    );
}

#[test]
fn a_birth_offers_the_rebirth_by_name() {
    for aliases in [false, true] {
        let mut node = EdgeNode::new(benchward_sparkplug::Settings {
            aliases,
            ..settings()
        });
        let births = connect(&mut node, 5_000);
        let rebirth = metric(&births[0].payload, REBIRTH);
        assert_eq!(
            (rebirth.datatype, rebirth.value.clone()),
            (Some(11), Some(Value::Boolean(false)))
        );
        assert_eq!(rebirth.alias, None);
    }
}

#[test]
fn qualities_and_units_are_properties() {
    let mut node = EdgeNode::new(settings());
    let births = connect(&mut node, 5_000);
    let top = metric(&births[1].payload, "Channel/board-top");
    assert_eq!(property(top, "Quality"), Some((3, PropertyContent::Int(192))));
    assert_eq!(
        property(top, "engUnit"),
        Some((12, PropertyContent::String("Cel".into())))
    );

    let mut lab = picture(20.0);
    lab.devices[0].metrics[0] = Metric::new("Channel/board-top", Content::Double(None))
        .unit("Cel")
        .quality(Quality::Bad);
    let data = told(&node.apply(5_250, Input::Looked(lab)));
    let top = metric(&data[0].payload, "Channel/board-top");
    assert_eq!(property(top, "Quality"), Some((3, PropertyContent::Int(0))));
    assert_eq!((top.is_null, top.value.clone()), (Some(true), None));
}

#[test]
fn data_say_what_has_changed_and_nothing_else() {
    let mut node = EdgeNode::new(settings());
    connect(&mut node, 5_000);
    assert_eq!(
        node.apply(5_250, Input::Looked(picture(20.0))),
        [],
        "nothing has changed"
    );
    assert_eq!(
        node.apply(5_500, Input::Looked(picture(20.05))),
        [],
        "not by enough"
    );
    let data = told(&node.apply(5_750, Input::Looked(picture(21.0))));
    let kinds: Vec<&str> = data.iter().map(|told| &*told.kind).collect();
    assert_eq!(kinds, ["DDATA", "DDATA"], "one message a device");
    for told in &data {
        let [only] = &told.payload.metrics[..] else {
            panic!("one metric has changed: {told:?}")
        };
        assert_eq!(only.name.as_deref(), Some("Channel/board-top"));
        assert_eq!((only.datatype, only.timestamp), (Some(10), Some(5_750)));
    }
    let mut lab = picture(21.0);
    lab.node[0].content = Content::Boolean(Some(true));
    let data = told(&node.apply(6_000, Input::Looked(lab)));
    assert_eq!(
        (data.len(), &*data[0].kind, data[0].payload.metrics.len()),
        (1, "NDATA", 1)
    );
}

#[test]
fn no_value_is_told_faster_than_its_pace() {
    let mut node = EdgeNode::new(settings());
    let paced = |celsius| {
        let mut lab = picture(celsius);
        for device in &mut lab.devices {
            device.metrics[0].apart_ms = 1_000;
        }
        lab
    };
    connect(&mut node, 5_000);
    let mut times = Vec::new();
    for step in 1..=40_u32 {
        let now = 5_000 + u64::from(step) * 250;
        for told in told(&node.apply(now, Input::Looked(paced(20.0 + f64::from(step))))) {
            if told.device.as_deref() == Some("bench-1") {
                times.push(now);
            }
        }
    }
    assert_eq!(times, (6_000..=15_000).step_by(1_000).collect::<Vec<u64>>());
}

#[test]
fn one_counter_runs_over_node_and_devices_and_255_is_followed_by_0() {
    let mut node = EdgeNode::new(settings());
    let births = connect(&mut node, 5_000);
    let mut expected = births.len() as u64;
    for step in 0..300_u32 {
        let mut lab = picture(30.0 + f64::from(step));
        lab.node[1].content = Content::Int64(Some(step.into()));
        for told in told(&node.apply(6_000 + u64::from(step), Input::Looked(lab))) {
            assert_eq!(told.payload.seq, Some(expected % 256), "{told:?}");
            expected += 1;
        }
    }
    assert_eq!(expected, 3 + 299 + 600);
}

#[test]
fn aliases_are_unique_over_the_whole_node_and_stand_for_names() {
    let mut node = EdgeNode::new(benchward_sparkplug::Settings {
        aliases: true,
        ..settings()
    });
    let births = connect(&mut node, 5_000);
    let mut aliases: Vec<u64> = births
        .iter()
        .flat_map(|told| &told.payload.metrics)
        .filter(|metric| !matches!(metric.name.as_deref(), Some(BD_SEQ | REBIRTH)))
        .map(|metric| metric.alias.expect("every other metric has one"))
        .collect();
    let count = aliases.len();
    aliases.sort_unstable();
    aliases.dedup();
    assert_eq!(aliases.len(), count);

    let top = metric(&births[2].payload, "Channel/board-top").alias;
    let data = told(&node.apply(5_250, Input::Looked(picture(25.0))));
    let only = &data[1].payload.metrics[0];
    assert_eq!((only.alias, &only.name, only.datatype), (top, &None, None));

    node.apply(7_000, ncmd(&rebirth_request()));
    let again = told(&node.apply(7_000, Input::Looked(picture(25.0))));
    assert!(again.is_empty(), "the request was answered at once");
}

#[test]
fn a_rebirth_says_everything_again_in_the_same_session() {
    let mut node = EdgeNode::new(settings());
    node.apply(1, Input::Opened);
    node.apply(1, Input::Closed);
    let before = connect(&mut node, 5_000);
    let session = metric(&before[0].payload, BD_SEQ).value.clone();
    node.apply(6_000, Input::Looked(picture(25.0)));
    let births = told(&node.apply(7_000, ncmd(&rebirth_request())));
    let kinds: Vec<&str> = births.iter().map(|told| &*told.kind).collect();
    assert_eq!(kinds, ["NBIRTH", "DBIRTH", "DBIRTH"]);
    assert_eq!(births[0].payload.seq, Some(0));
    assert_eq!(metric(&births[0].payload, BD_SEQ).value, session);
    assert_eq!(session, Some(Value::Long(1)));
    assert_eq!(
        metric(&births[1].payload, "Channel/board-top").value,
        Some(Value::Double(25.0)),
        "current values"
    );
    let data = told(&node.apply(7_250, Input::Looked(picture(30.0))));
    assert_eq!(
        (&*data[0].kind, data[0].payload.seq),
        ("DDATA", Some(3)),
        "and it goes on"
    );
}

#[test]
fn after_a_request_no_data_come_before_the_births_however_fast_it_is_asked() {
    let mut node = EdgeNode::new(settings());
    connect(&mut node, 5_000);
    let mut births = 0;
    let mut wanted = false;
    for step in 0..100_u32 {
        let now = 5_000 + u64::from(step) * 100;
        wanted = true;
        let mut out = node.apply(now, ncmd(&rebirth_request()));
        out.extend(node.apply(now, Input::Looked(picture(30.0 + f64::from(step)))));
        for told in told(&out) {
            if told.kind == "NBIRTH" {
                births += 1;
                wanted = false;
            }
            assert!(!wanted, "{told:?}");
        }
    }
    assert!(wanted, "the last one waits for its time");
    assert_eq!(
        births,
        9_900 / REBIRTH_APART_MS,
        "a flood is one request a second"
    );
}

#[test]
fn every_other_command_is_refused_and_kept() {
    let mut node = EdgeNode::new(settings());
    connect(&mut node, 5_000);
    let wanted = |name: &str, value| Payload {
        metrics: vec![payload::Metric {
            name: Some(name.into()),
            value: Some(value),
            ..payload::Metric::default()
        }],
        ..Payload::default()
    };
    let mixed = Payload {
        metrics: [rebirth_request(), wanted("Ceiling", Value::Double(400.0))]
            .into_iter()
            .flat_map(|payload| payload.metrics)
            .collect(),
        ..Payload::default()
    };
    let aliased = Payload {
        metrics: vec![payload::Metric {
            alias: Some(3),
            value: Some(Value::Boolean(true)),
            ..payload::Metric::default()
        }],
        ..Payload::default()
    };
    let dcmd = |payload: Payload| Input::Received {
        topic: "spBv1.0/rework/DCMD/larkfield/bench-1".into(),
        payload: payload.bytes(),
    };
    let cases = [
        (
            ncmd(&wanted("Ceiling", Value::Double(400.0))),
            "a command to the lab (\"Ceiling\")",
        ),
        (
            ncmd(&wanted(REBIRTH, Value::Boolean(false))),
            "a command to the lab",
        ),
        (
            ncmd(&wanted(REBIRTH, Value::String("true".into()))),
            "a command to the lab",
        ),
        (ncmd(&mixed), "(\"Ceiling\")"),
        (ncmd(&aliased), "alias 3"),
        (ncmd(&Payload::default()), "nothing"),
        (
            ncmd(&wanted("\u{1b}[2J\n", Value::Boolean(true))),
            r#""\u{1b}[2J\n""#,
        ),
        (
            dcmd(wanted("Heat", Value::Double(1.0))),
            "a command to device \"bench-1\" (\"Heat\")",
        ),
        (dcmd(rebirth_request()), "a command to device \"bench-1\""),
        (
            Input::Received {
                topic: "spBv1.0/rework/NCMD/larkfield".into(),
                payload: vec![0xff; 40],
            },
            "can't be read",
        ),
        (
            Input::Received {
                topic: "spBv1.0/rework/NCMD/larkfield".into(),
                payload: vec![0; payload::INBOUND_BYTES_MAX + 1],
            },
            "above the limit",
        ),
    ];
    for (at, (input, text)) in cases.into_iter().enumerate() {
        let out = node.apply(100_000 * (at as u64 + 1), input);
        assert!(
            matches!(&out[..], [Output::Refused(refused)] if refused.contains(text)),
            "{text}: {out:?}"
        );
    }
    assert_eq!(
        node.apply(9_000_000, Input::Looked(picture(20.0))),
        [],
        "and nothing has changed"
    );
}

#[test]
fn commands_to_others_and_other_topics_are_nobodys_business() {
    let mut node = EdgeNode::new(benchward_sparkplug::Settings {
        primary_host: Some("line-host".into()),
        ..settings()
    });
    connect(&mut node, 5_000);
    for topic in [
        "spBv1.0/rework/NCMD/elsewhere",
        "spBv1.0/other/NCMD/larkfield",
        "spBv1.0/rework/DCMD/elsewhere/bench-1",
        "spBv1.0/STATE/other-host",
        "STATE/line-host",
        "",
    ] {
        let out = node.apply(
            6_000,
            Input::Received {
                topic: topic.into(),
                payload: rebirth_request().bytes(),
            },
        );
        assert_eq!(out, [], "{topic}");
    }
}

#[test]
fn a_lost_device_dies_and_is_born_again() {
    let mut node = EdgeNode::new(settings());
    connect(&mut node, 5_000);
    let mut lab = picture(20.0);
    lab.devices[0].here = false;
    let dead = told(&node.apply(6_000, Input::Looked(lab.clone())));
    let [only] = &dead[..] else { panic!("{dead:?}") };
    assert_eq!(only.topic, "spBv1.0/rework/DDEATH/larkfield/bench-1");
    assert_eq!((only.payload.seq, only.payload.timestamp), (Some(3), Some(6_000)));
    assert_eq!(only.payload.metrics, []);
    assert!(!node.takes_history("bench-1") && node.takes_history("bench-2"));

    lab.devices[0].metrics[0].content = Content::Double(Some(90.0));
    assert_eq!(
        node.apply(6_250, Input::Looked(lab.clone())),
        [],
        "the dead say nothing"
    );
    lab.devices[0].here = true;
    let back = told(&node.apply(6_500, Input::Looked(lab)));
    assert_eq!(
        (back.len(), &*back[0].kind, back[0].payload.seq),
        (1, "DBIRTH", Some(4))
    );
}

#[test]
fn a_birth_that_does_not_come_back_is_said_once() {
    let said = |out: &[Output]| {
        out.iter()
            .filter(|output| matches!(output, Output::Refused(text) if text.contains("its own birth back")))
            .count()
    };
    let later = |node: &mut EdgeNode, now| said(&node.apply(now, Input::Looked(picture(20.0))));
    let mut node = EdgeNode::new(settings());
    connect_unechoed(&mut node, 1_000);
    assert_eq!(later(&mut node, 1_000 + ECHO_WITHIN_MS - 1), 0);
    assert_eq!(later(&mut node, 1_000 + ECHO_WITHIN_MS), 1);
    assert_eq!(later(&mut node, 1_000 + 2 * ECHO_WITHIN_MS), 0, "once");
    node.apply(50_000, Input::Closed);
    connect_unechoed(&mut node, 60_000);
    assert_eq!(later(&mut node, 90_000), 0, "nor on the next connection");

    // One that comes back: nothing is said of it.
    let mut node = EdgeNode::new(settings());
    connect(&mut node, 1_000);
    assert_eq!(later(&mut node, 1_000 + ECHO_WITHIN_MS), 0);

    // A broker that says that it doesn't deliver it: nothing can be concluded, and the session goes on.
    let mut node = EdgeNode::new(settings());
    node.apply(1, Input::Opened);
    node.apply(1, Input::Connected);
    let granted = vec![true, true, false];
    node.apply(1, Input::Subscribed { granted });
    assert_eq!(told(&node.apply(2, Input::Looked(picture(20.0)))).len(), 3);
    assert_eq!(later(&mut node, 2 + ECHO_WITHIN_MS), 0);
}

#[test]
fn a_device_that_was_never_reached_is_in_no_birth() {
    let mut node = EdgeNode::new(settings());
    node.apply(1, Input::Opened);
    node.apply(1, Input::Connected);
    node.apply(
        1,
        Input::Subscribed {
            granted: vec![true, true],
        },
    );
    let mut lab = picture(20.0);
    lab.devices[1].here = false;
    let births = told(&node.apply(2, Input::Looked(lab.clone())));
    assert_eq!(births.len(), 2);
    lab.devices[1].here = true;
    let late = told(&node.apply(3, Input::Looked(lab)));
    assert_eq!(
        (late.len(), &*late[0].topic),
        (1, "spBv1.0/rework/DBIRTH/larkfield/bench-2")
    );
}

#[test]
fn a_metric_that_was_in_no_birth_is_born_before_it_is_told() {
    let mut node = EdgeNode::new(settings());
    connect(&mut node, 5_000);
    let mut lab = picture(20.0);
    lab.devices[0]
        .metrics
        .push(Metric::new("Permissive/hood", Content::Boolean(Some(true))));
    let out = told(&node.apply(6_000, Input::Looked(lab.clone())));
    assert_eq!((out.len(), &*out[0].kind), (1, "DBIRTH"));
    assert_eq!(
        metric(&out[0].payload, "Permissive/hood").value,
        Some(Value::Boolean(true))
    );

    lab.node.push(Metric::new("More", Content::Int32(None)));
    let out = told(&node.apply(7_000, Input::Looked(lab)));
    assert_eq!(
        (out.len(), &*out[0].kind, out[0].payload.seq),
        (3, "NBIRTH", Some(0))
    );
}

#[test]
fn a_goodbye_is_a_death_and_then_a_disconnect_that_asks_for_the_will() {
    let mut node = EdgeNode::new(settings());
    connect(&mut node, 5_000);
    let out = node.apply(6_000, Input::End);
    let deaths = told(&out);
    assert_eq!(deaths.len(), 1);
    assert_eq!(deaths[0].topic, "spBv1.0/rework/NDEATH/larkfield");
    assert_eq!(
        (deaths[0].payload.seq, deaths[0].payload.metrics.len()),
        (None, 1)
    );
    assert_eq!(metric(&deaths[0].payload, BD_SEQ).value, Some(Value::Long(0)));
    assert_eq!(out.last(), Some(&Output::Disconnect));
    assert_eq!(node.apply(6_001, Input::End), [], "once");
    assert_eq!(
        node.apply(6_002, Input::Looked(picture(99.0))),
        [],
        "and nothing after it"
    );
    assert_eq!(node.apply(6_003, ncmd(&rebirth_request())), []);
}

#[test]
fn a_goodbye_before_any_birth_is_a_disconnect_that_asks_for_the_will() {
    let mut node = EdgeNode::new(settings());
    assert_eq!(node.apply(1, Input::End), [], "there is nobody to say it to");
    node.apply(1, Input::Opened);
    node.apply(2, Input::Connected);
    assert_eq!(node.apply(3, Input::End), [Output::Disconnect]);
}

fn hosted() -> EdgeNode {
    EdgeNode::new(benchward_sparkplug::Settings {
        primary_host: Some("line-host".into()),
        ..settings()
    })
}

#[test]
fn births_wait_for_the_primary_host() {
    let mut node = hosted();
    node.apply(1, Input::Opened);
    let Some(Output::Subscribe(topics)) = node.apply(2, Input::Connected).pop() else {
        panic!("it subscribes")
    };
    assert_eq!(topics[2], "spBv1.0/STATE/line-host");
    let granted = vec![true, true, true];
    assert_eq!(told(&node.apply(3, Input::Subscribed { granted })), []);
    assert_eq!(told(&node.apply(4, Input::Looked(picture(20.0)))), []);
    for other in ["other-host", "line-host2", "LINE-HOST"] {
        assert_eq!(
            node.apply(5, state(other, true, 100)),
            [],
            "{other} is another host"
        );
    }
    assert_eq!(told(&node.apply(6, state("line-host", false, 100))), []);
    assert_eq!(
        told(&node.apply(6, state("line-host", true, 99))),
        [],
        "older than its last"
    );
    let births = told(&node.apply(7, state("line-host", true, 100)));
    assert_eq!((births.len(), &*births[0].kind), (3, "NBIRTH"));
}

#[test]
fn a_retained_state_may_come_before_the_broker_has_answered() {
    let mut node = hosted();
    node.apply(1, Input::Opened);
    node.apply(2, Input::Connected);
    assert_eq!(told(&node.apply(3, state("line-host", true, 100))), []);
    node.apply(
        4,
        Input::Subscribed {
            granted: vec![true; 3],
        },
    );
    assert_eq!(told(&node.apply(5, Input::Looked(picture(20.0)))).len(), 3);
}

#[test]
fn without_the_primary_host_the_session_ends() {
    let mut node = hosted();
    connect(&mut node, 5_000);
    assert_eq!(told(&node.apply(5_100, state("line-host", true, 100))).len(), 3);
    let out = node.apply(5_200, state("line-host", false, 99));
    assert_eq!(told(&out), [], "the death of a session before");
    assert!(born(&node));
    let out = node.apply(5_300, state("line-host", false, 100));
    assert_eq!(
        told(&out).iter().map(|told| &*told.kind).collect::<Vec<_>>(),
        ["NDEATH"]
    );
    assert_eq!(out.last(), Some(&Output::Disconnect));
    assert_eq!(
        told(&node.apply(5_400, state("line-host", true, 200))),
        [],
        "not on this connection"
    );

    node.apply(5_500, Input::Closed);
    assert_eq!(connect(&mut node, 6_000), [], "the next one waits again");
    assert_eq!(
        told(&node.apply(6_100, state("line-host", true, 150))),
        [],
        "a state kept too long"
    );
    let births = told(&node.apply(6_200, state("line-host", true, 200)));
    assert_eq!(metric(&births[0].payload, BD_SEQ).value, Some(Value::Long(1)));
}

#[test]
fn what_is_no_state_changes_nothing() {
    let mut node = hosted();
    connect(&mut node, 5_000);
    let out = node.apply(
        5_100,
        Input::Received {
            topic: "spBv1.0/STATE/line-host".into(),
            payload: b"ONLINE".to_vec(),
        },
    );
    assert!(matches!(&out[..], [Output::Told(_)]), "{out:?}");
    assert!(!born(&node));
}

#[test]
fn history_keeps_its_own_times_and_is_marked() {
    let sample = |at_ms, name: &str| Sample {
        at_ms,
        name: name.into(),
        content: Content::Double(Some(50.0)),
        quality: Some(Quality::Good),
    };
    let samples = vec![
        sample(1_000, "Channel/board-top"),
        sample(1_100, "Channel/board-top"),
        sample(1_100, "Channel/gone"),
    ];
    let history = |device: &str| Input::History {
        device: device.into(),
        samples: samples.clone(),
    };
    for aliases in [false, true] {
        let mut node = EdgeNode::new(benchward_sparkplug::Settings {
            aliases,
            ..settings()
        });
        assert_eq!(node.apply(1, history("bench-1")), [], "not before the births");
        connect(&mut node, 5_000);
        assert!(node.has("bench-1", "Channel/board-top") && !node.has("bench-1", "Channel/gone"));
        let late = told(&node.apply(5_100, history("bench-1")));
        let [only] = &late[..] else { panic!("{late:?}") };
        assert_eq!(
            (&*only.kind, only.payload.seq, only.payload.timestamp),
            ("DDATA", Some(3), Some(5_100))
        );
        let times: Vec<(Option<u64>, Option<bool>)> = only
            .payload
            .metrics
            .iter()
            .map(|m| (m.timestamp, m.is_historical))
            .collect();
        assert_eq!(times, [(Some(1_000), Some(true)), (Some(1_100), Some(true))]);
        assert_eq!(only.payload.metrics[0].alias.is_some(), aliases);
        assert_eq!(node.apply(5_200, history("nowhere")), []);
        assert_eq!(
            node.apply(5_300, Input::Looked(picture(20.0))),
            [],
            "what was is no news of what is"
        );
    }
}

#[test]
fn devices_of_a_new_picture_replace_those_of_the_old() {
    let mut node = EdgeNode::new(settings());
    connect(&mut node, 5_000);
    let lab = Picture {
        devices: vec![
            bench("bench-2", 20.0),
            Device {
                here: true,
                ..bench("bench-9", 20.0)
            },
        ],
        ..picture(20.0)
    };
    let out = told(&node.apply(6_000, Input::Looked(lab)));
    let topics: Vec<&str> = out.iter().map(|told| &*told.topic).collect();
    assert_eq!(
        topics,
        [
            "spBv1.0/rework/DDEATH/larkfield/bench-1",
            "spBv1.0/rework/DBIRTH/larkfield/bench-9"
        ]
    );
}

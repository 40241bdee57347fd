//! Where lines end, and which of them answers.

use coilcall::units::TroubleKind;
use coilcall::wire::{
    LineEnds, LineReplyDecoder, LineRequestDecoder, Meaning, NoReply, ReplyDecoder, Step,
    StreamedLineDecoder,
};

fn word(line: &str) -> Meaning<String> {
    match line {
        "no" => Meaning::Refused("it said 'no'".to_owned()),
        "else" => Meaning::Other("got 'else'".to_owned()),
        _ => Meaning::Answer(line.to_owned()),
    }
}

fn asked(ends: LineEnds) -> LineReplyDecoder<fn(&str) -> Meaning<String>> {
    LineReplyDecoder::new("ask?", ends, word)
}

fn reply(line: &str, used: usize) -> Step<String> {
    Step::Reply {
        reply: line.to_owned(),
        used,
    }
}

fn kind(step: &Step<String>) -> TroubleKind {
    match step {
        Step::Trouble { kind, .. } => *kind,
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_line_ends_where_its_device_ends_it() {
    let mut scpi = asked(LineEnds::LineFeed);
    assert_eq!(scpi.decode(b"24.0\n"), reply("24.0", 5));
    assert_eq!(scpi.decode(b"24.0\r\n"), reply("24.0", 6));
    assert_eq!(scpi.decode(b"24.0\r"), Step::NeedMore);
    let mut plain = asked(LineEnds::Either);
    assert_eq!(plain.decode(b"24.0\r"), reply("24.0", 5));
    assert_eq!(plain.decode(b"24.0\n"), reply("24.0", 5));
    assert_eq!(plain.decode(b"24.0\r\n"), reply("24.0", 6));
    // The rest of the end of a line before.
    assert_eq!(plain.decode(b"\n24.0\r\n"), reply("24.0", 7));
}

#[test]
fn every_beginning_of_a_line_waits_and_ends_as_a_time_out() {
    let whole = b"+2.401E+01\r\n";
    for length in 0..whole.len() {
        let mut decoder = asked(LineEnds::LineFeed);
        assert_eq!(decoder.decode(&whole[..length]), Step::NeedMore);
        assert_eq!(
            kind(&decoder.conclude(&whole[..length])),
            TroubleKind::Timeout
        );
    }
    let end = asked(LineEnds::LineFeed).conclude(b"+2.4");
    assert!(format!("{end:?}").contains("a line without its end: '+2.4'"));
}

#[test]
fn a_line_too_many_or_anything_behind_is_no_answer() {
    for received in [&b"23.9\n24.0\n"[..], b"23.9\n24.", b"23.9\n\r\n 2"] {
        let step = asked(LineEnds::LineFeed).decode(received);
        assert_eq!(kind(&step), TroubleKind::Mismatched, "{received:?}");
    }
    assert_eq!(
        asked(LineEnds::LineFeed).decode(b"24.0\n\r\n"),
        reply("24.0", 7)
    );
}

#[test]
fn our_own_question_is_an_echo_and_the_answer_may_follow() {
    let mut decoder = asked(LineEnds::LineFeed);
    assert_eq!(decoder.decode(b"ask?\n"), Step::NeedMore);
    assert_eq!(kind(&decoder.conclude(b"ask?\n")), TroubleKind::Echoed);
    assert_eq!(decoder.decode(b"ask?\n24.0\n"), reply("24.0", 10));
}

#[test]
fn what_is_no_text_or_never_ends_is_damaged() {
    for received in [&b"\xFF24.0\n"[..], b"2\x004.0\n", b"24\x80"] {
        let step = asked(LineEnds::LineFeed).decode(received);
        assert_eq!(kind(&step), TroubleKind::Corrupt, "{received:?}");
    }
    let endless = [b'7'; 1100];
    assert_eq!(
        asked(LineEnds::LineFeed).decode(&endless[..1000]),
        Step::NeedMore
    );
    assert_eq!(
        kind(&asked(LineEnds::LineFeed).decode(&endless)),
        TroubleKind::Corrupt
    );
}

#[test]
fn a_refusal_ends_soundly_and_another_answer_does_not() {
    match asked(LineEnds::LineFeed).decode(b"no\n") {
        Step::Refused { kind, detail, used } => {
            assert_eq!(kind, TroubleKind::Refused);
            assert_eq!((detail.as_str(), used), ("it said 'no'", 3));
        }
        other => panic!("{other:?}"),
    }
    let step = asked(LineEnds::LineFeed).decode(b"else\n");
    assert_eq!(kind(&step), TroubleKind::Mismatched);
}

#[test]
fn of_a_stream_the_first_line_that_began_since_is_taken() {
    let mut streamed = StreamedLineDecoder::new(word);
    // The tail of a line that looks like a whole one.
    assert_eq!(streamed.decode(b"4.0"), Step::NeedMore);
    assert_eq!(streamed.decode(b"4.0\r\n"), Step::NeedMore);
    assert_eq!(streamed.decode(b"4.0\r\n24."), Step::NeedMore);
    assert_eq!(streamed.decode(b"4.0\r\n24.1\r"), reply("24.1", 10));
    assert_eq!(
        streamed.decode(b"4.0\n24.1\n24.2\n24.3\n"),
        reply("24.1", 9)
    );
    // Damage before the first end belongs to nobody.
    assert_eq!(streamed.decode(b"\xFF\x00\n24.1\n"), reply("24.1", 8));
    assert_eq!(
        kind(&streamed.decode(b"4.0\n2\xFF.1\n")),
        TroubleKind::Corrupt
    );
    assert_eq!(kind(&streamed.conclude(b"")), TroubleKind::Timeout);
    assert_eq!(kind(&streamed.conclude(b"4.0\n24.")), TroubleKind::Timeout);
    assert_eq!(kind(&streamed.decode(&[b'7'; 1100])), TroubleKind::Corrupt);
}

#[test]
fn a_command_without_an_answer_is_done_at_once() {
    assert_eq!(NoReply.decode(b""), Step::Reply { reply: (), used: 0 });
}

#[test]
fn a_device_hears_whole_lines_and_throws_damage_away() {
    let mut heard = LineRequestDecoder::new(LineEnds::Either);
    heard.push(b"on ");
    assert_eq!(heard.take(), None);
    heard.push(b"1\r\n\r\noff 2\n");
    assert_eq!(heard.take().as_deref(), Some("on 1"));
    assert_eq!(heard.take().as_deref(), Some("off 2"));
    assert_eq!(heard.take(), None);
    heard.push(b"\xFF\xFE\non 3\n");
    assert_eq!(heard.take().as_deref(), Some("on 3"));
    heard.push(&[b'x'; 5000]);
    assert_eq!(heard.take(), None);
    heard.push(b"\non 4\n");
    assert_eq!(heard.take().as_deref(), Some("on 4"));
}

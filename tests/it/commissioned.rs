//! A commissioning as a technician makes it: begun, left, gone on with, refused where siskin sees otherwise,
//! signed and printed.

use std::io::Write;
use std::process::{Output, Stdio};

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use serde_json::Value;

use crate::home::Home;
use crate::loop_checked::{bus, running};
use crate::technician::json_of;

const LIST: &str = "name = \"Short <list>\"\n\
    [[step]]\nid = \"mount\"\ntitle = \"Mounting\"\ndo = [\"Hang it.\"]\n\
    [[step]]\nid = \"answers\"\ntitle = \"Line\"\ndo = [\"Look.\"]\ncheck = \"answers\"\n\
    [[step]]\nid = \"loop\"\ntitle = \"Loop\"\ndo = [\"Walk.\"]\ncheck = \"loop_agrees\"\n\
    [[step]]\nid = \"leak\"\ntitle = \"Leak\"\ndo = [\"Pressurize.\"]\nnumber = { ask = \"Lost\", unit = \"kPa\" }\n";

fn commission(home: &Home, list: &str, more: &[&str], answers: &str) -> Output {
    let mut arguments = vec!["commission", "h2s-1", "--json"];
    if !list.is_empty() {
        arguments.extend(["--checklist", list]);
    }
    arguments.extend(more);
    let mut command = home.siskin(&arguments);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    // A command that asks nothing has perhaps ended.
    let _ = child.stdin.take().unwrap().write_all(answers.as_bytes());
    child.wait_with_output().unwrap()
}

fn open(output: &Output) -> Vec<String> {
    let open = &json_of(output)["open"];
    open.as_array().unwrap().iter().map(|id| id.as_str().unwrap().to_owned()).collect()
}

#[test]
fn a_commissioning_is_left_gone_on_with_checked_signed_and_printed() {
    let bus = bus(10_400);
    let (home, daemon) = running(&bus);
    let file = home.data().with_file_name("list.toml");
    std::fs::write(&file, LIST).unwrap();
    let list = file.to_str().unwrap();
    // A line that is no answer settles neither its step nor, by those behind it, the next ones.
    for nonsense in ["nonsense\ndone hung by two\ndone\n", "\n\n\ndone\nmuch\n0.25\n"] {
        let lost = commission(&home, list, &["--name", "Kim"], nonsense);
        assert_eq!((lost.status.code(), open(&lost).len()), (Some(1), 4), "{lost:?}");
        let why = String::from_utf8_lossy(&lost.stderr);
        assert!(why.contains("nothing after this line is taken"), "{why}");
    }
    // Left after the first answer.
    let left = commission(&home, list, &["--name", "Kim"], "done hung by two\n");
    assert_eq!(
        (left.status.code(), open(&left)),
        (Some(1), vec!["answers".into(), "loop".into(), "leak".into()])
    );
    let early = commission(&home, list, &["--sign", "--name", "Kim"], "");
    assert_eq!(early.status.code(), Some(1), "{early:?}");
    // Gone on with: the loop was not checked, so that it cannot be done.
    let on = commission(&home, list, &["--name", "Kim"], "done\ndone\ndone\n0.25\n");
    assert_eq!((on.status.code(), open(&on)), (Some(1), vec!["loop".into()]), "{on:?}");
    let why = String::from_utf8_lossy(&on.stderr);
    assert!(why.contains("siskin sees otherwise: no loop check"), "{why}");
    let checked = home.run(&["loop-check", "h2s-1.gas", "--loop", "ai-1.loop", "--readings", "1"]);
    assert_eq!(checked.status.code(), Some(0), "{checked:?}");
    let step = commission(&home, list, &["--step", "loop", "--answer", "done"], "");
    assert_eq!((step.status.code(), open(&step).len()), (Some(0), 0), "{step:?}");
    let other = commission(&home, "", &["--step", "mount", "--answer", "done"], "");
    assert_eq!(other.status.code(), Some(2), "another list than it was begun with");
    // The signature stands for what is, and not for what was when the step was answered.
    let failed =
        home.run(&["loop-check", "h2s-1.gas", "--loop", "ai-1.loop", "--readings", "1", "--meter", "4"]);
    assert_eq!(failed.status.code(), Some(1), "{failed:?}");
    let otherwise = commission(&home, list, &["--sign", "--name", "Kim"], "");
    assert_eq!(otherwise.status.code(), Some(1), "{otherwise:?}");
    assert!(String::from_utf8_lossy(&otherwise.stderr).contains("loop: siskin sees otherwise by now"));
    let checked = home.run(&["loop-check", "h2s-1.gas", "--loop", "ai-1.loop", "--readings", "1"]);
    assert_eq!(checked.status.code(), Some(0), "{checked:?}");
    let signed = json_of(&commission(&home, list, &["--sign", "--name", "Kim"], ""));
    let journal = daemon.wait_for_journal("the signature", |journal| {
        journal.iter().any(|entry| entry["kind"] == "commissioning_signed")
    });
    let entry: &Value = journal.iter().find(|entry| entry["kind"] == "commissioning_signed").unwrap();
    assert_eq!((&signed["signed"]["hash"], &entry["name"]), (&entry["hash"], &"Kim".into()));
    let after = commission(&home, list, &["--step", "mount", "--answer", "failed", "--remark", "fell"], "");
    assert_eq!(after.status.code(), Some(1), "what is signed is signed: {after:?}");
    assert!(String::from_utf8_lossy(&after.stderr).contains("it was signed"), "{after:?}");
    drop(daemon);
    // Without a daemon the record is read from its file.
    let page = home.run(&["commission", "h2s-1", "--checklist", list, "--print", "html"]);
    let page = String::from_utf8(page.stdout).unwrap();
    for expected in ["Short &lt;list&gt;", "hung by two", "0.25 kPa", entry["hash"].as_str().unwrap()] {
        assert!(page.contains(expected), "{expected}: {page}");
    }
    // The list may be lost, or be another one by now; what was answered is not.
    let page = home.run(&["commission", "h2s-1", "--print", "text"]);
    let page = String::from_utf8(page.stdout).unwrap();
    for expected in ["Short <list>", "not at hand", "[done] Mounting", "hung by two", "Signed by Kim"] {
        assert!(page.contains(expected), "{expected}: {page}");
    }
    assert!(!page.contains("[open]"), "{page}");
}

/// What a person types next is meant for the step that was refused, and not for the one after it.
#[test]
fn at_a_terminal_a_step_whose_answer_was_refused_is_asked_again() {
    let bus = bus(10_400);
    let (home, _daemon) = running(&bus);
    let file = home.data().with_file_name("list.toml");
    std::fs::write(&file, LIST).unwrap();
    let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&near).unwrap();
    unlockpt(&near).unwrap();
    let far = ptsname(&near, Vec::new()).unwrap();
    let far = std::fs::File::open(far.to_str().unwrap()).unwrap();
    let mut command = home.siskin(&["commission", "h2s-1", "--json", "--checklist", file.to_str().unwrap()]);
    let child = command.stdin(far).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    // A remark is wanted, and given; the other steps are left open by Enter alone.
    let mut near = std::fs::File::from(near);
    near.write_all(b"failed\nfailed not plumb\n\n\n\n").unwrap();
    let output = child.wait_with_output().unwrap();
    drop(near);
    assert_eq!(output.status.code(), Some(1), "{output:?}");
    let steps = json_of(&output)["steps"].clone();
    let answers: Vec<&str> =
        steps.as_array().unwrap().iter().map(|step| step["result"].as_str().unwrap()).collect();
    assert_eq!(answers, ["failed", "open", "open", "open"], "{steps:#}");
    assert_eq!(steps[0]["noted"], "not plumb");
}

#[test]
fn a_commissioning_that_is_begun_anew_is_begun_once() {
    let bus = bus(10_400);
    let (home, daemon) = running(&bus);
    let file = home.data().with_file_name("list.toml");
    std::fs::write(&file, LIST).unwrap();
    let list = file.to_str().unwrap();
    let first = commission(&home, list, &["--step", "leak", "--answer", "done", "--number", "1"], "");
    assert_eq!(open(&first), ["mount", "answers", "loop"]);
    let anew = commission(&home, list, &["--anew"], "done\ndone\n");
    assert_eq!(open(&anew), ["loop", "leak"], "its own answers stand, the earlier ones do not");
    let journal = daemon.wait_for_journal("both answers", |journal| {
        journal.iter().filter(|entry| entry["kind"] == "commissioning_step").count() == 3
    });
    let begun = journal.iter().filter(|entry| entry["kind"] == "commissioning_begun").count();
    assert_eq!(begun, 2);
}

#[test]
fn what_cannot_be_commissioned_is_told_with_its_exit_code() {
    let bus = bus(10_400);
    let (home, _daemon) = running(&bus);
    let unknown = home.run(&["commission", "h2s-2", "--step", "mount", "--answer", "done"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&unknown.stderr).contains("is h2s-1 meant?"), "{unknown:?}");
    assert_eq!(home.run(&["commission", "h2s-1", "--print", "text"]).status.code(), Some(2));
    let bare = home.run(&["commission", "h2s-1", "--step", "mount", "--answer", "na"]);
    assert_eq!(bare.status.code(), Some(1), "a remark is wanted: {bare:?}");
    // What is no number must not pass for the one that the step wants.
    let leak = ["commission", "h2s-1", "--step", "leak-check", "--answer", "done", "--number", "nan"];
    assert_eq!(home.run(&leak).status.code(), Some(2));
    assert_eq!(home.run(&["commission", "h2s-1", "--checklist", "/nonexistent"]).status.code(), Some(3));
}

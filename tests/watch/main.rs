//! The daemon, from outside: nothing is lost, half-read, doubled or half-published.
//!
//! How to run the longer proofs stands in DEVELOPERS.md.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

#[path = "../helpers/mod.rs"]
mod helpers;

mod disks;
mod proofs;
mod shop;

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::time::{Duration, Instant};

use helpers::{Bench, contents};
use rustix::process::{Signal, kill_process};
use shop::{Dice, Shop, copy_slowly, number, shoot_a_worker};

#[test]
fn a_dropped_job_is_published_as_run_would() {
    let mut shop = Shop::new(&[]);
    let folder = shop.job("shirt", 1);
    symlink("/etc/hostname", folder.join("link.jpg")).unwrap();
    let aside = Bench::new();
    shop.run(&aside, &folder);
    shop.start();
    fs::rename(&folder, shop.inbox("shirt")).unwrap();
    shop.wait_for_jobs(1, 30);
    let same = contents(&aside.outbox().join("shirt"));
    let published = contents(&shop.bench.outbox().join("shirt"));
    assert_eq!(
        published.keys().collect::<Vec<_>>(),
        same.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in &published {
        assert!(same[name] == *bytes, "{name} differs");
    }
    // A second drop of the same name is a job of its own.
    shop.drop_job("shirt", 2);
    shop.wait_for_jobs(2, 30);
    assert_eq!(shop.published(), ["shirt", "shirt-2"]);
    assert_eq!(
        shop.bench.fit_json("shirt-2")["emblems"][0]["photo"]["width_px"],
        602
    );
    assert!(!shop.inbox("shirt").exists());
}

#[test]
fn without_events_every_job_is_found_within_a_scan() {
    let mut shop = Shop::new(&[("events", "false")]);
    shop.start();
    shop.wait_for("status", 10, || {
        shop.bench.path("state/status.json").exists()
    });
    for number in 0..5 {
        shop.drop_job(&format!("shirt-{number}"), number);
    }
    // Renamed into place: claimed at the first scan that sees them.
    let claimed = || fs::read_dir(shop.bench.path("inbox")).unwrap().count() == 2;
    shop.wait_for("all claimed", 4, claimed);
    shop.wait_for_jobs(5, 60);
}

#[test]
fn events_that_overflow_cost_at_most_a_scan() {
    let queue = fs::read_to_string("/proc/sys/fs/inotify/max_queued_events");
    let queue: u32 = queue.unwrap_or_default().trim().parse().unwrap_or(16_384);
    let mut shop = Shop::new(&[("scan_seconds", "2")]);
    shop.start();
    shop.wait_for("status", 10, || {
        shop.bench.path("state/status.json").exists()
    });
    kill_process(shop.pid(), Signal::STOP).unwrap();
    // Each is made, written, closed and removed: more events than can wait.
    for number in 0..queue / 2 {
        let path = shop.inbox(&format!(".{number}"));
        fs::write(&path, "x").unwrap();
        fs::remove_file(path).unwrap();
    }
    for number in 0..5 {
        shop.drop_job(&format!("shirt-{number}"), number);
    }
    kill_process(shop.pid(), Signal::CONT).unwrap();
    shop.wait_for("all claimed", 6, || shop.count("inbox") == 2);
    shop.wait_for_jobs(5, 60);
}

#[test]
fn late_changes_are_reported_and_new_settings_obeyed() {
    let mut shop = Shop::new(&[("retry_seconds", "1")]);
    fs::remove_dir(shop.bench.outbox()).unwrap();
    fs::write(shop.bench.outbox(), "in the way").unwrap();
    shop.start();
    shop.drop_job("late", 1);
    shop.wait_for("a message", 30, || {
        shop.status()["waiting_for"].is_string() && shop.count("inbox/.emblemend-taken") == 1
    });
    let aside = fs::read_dir(shop.bench.path("inbox/.emblemend-taken"));
    let aside = aside.unwrap().next().unwrap().unwrap().path();
    fs::write(aside.join("late/late.txt"), "came after").unwrap();
    let notice = shop.bench.path("notice-{job}-{verdict}");
    let words = format!(r#"["cp", "{{path}}/fit.json", "{}"]"#, notice.display());
    shop.set(&[
        ("scan_seconds", "1"),
        ("agreeing_scans", "2"),
        ("retry_seconds", "1"),
        ("notice_words", &words),
    ]);
    kill_process(shop.pid(), Signal::HUP).unwrap();
    std::thread::sleep(Duration::from_secs(1));
    fs::remove_file(shop.bench.outbox()).unwrap();
    shop.wait_for_jobs(1, 60);
    let problems = shop.bench.fit_json("late")["problems"].to_string();
    assert!(problems.contains("changed after it had been taken"));
    assert!(!shop.bench.path("outbox/late/source/late.txt").exists());
    let notice = shop.bench.path("notice-late-hold");
    shop.wait_for("the notice", 10, || {
        fs::read(&notice).ok() == fs::read(shop.bench.path("outbox/late/fit.json")).ok()
    });
}

#[test]
fn a_late_file_is_waited_for_and_a_missing_one_is_named() {
    let mut shop = Shop::new(&[("arrival_max_seconds", "6")]);
    shop.start();
    let late = shop.inbox("late");
    let folder = shop.job("late", 1);
    let photo = fs::read(folder.join("photo.png")).unwrap();
    fs::create_dir(&late).unwrap();
    fs::copy(folder.join("job.toml"), late.join("job.toml")).unwrap();
    fs::write(late.join("photo.png"), &photo[..photo.len() / 2]).unwrap();
    std::thread::sleep(Duration::from_secs(4));
    assert!(shop.published().is_empty());
    fs::write(late.join("photo.png"), &photo).unwrap();
    fs::copy(folder.join("crest.svg"), late.join("crest.svg")).unwrap();
    let missing = shop.inbox("missing");
    fs::create_dir(&missing).unwrap();
    fs::copy(folder.join("job.toml"), missing.join("job.toml")).unwrap();
    shop.wait_for_jobs(2, 40);
    assert_eq!(
        contents(&shop.bench.outbox().join("late/source")),
        contents(&folder)
    );
    let fit = shop.bench.fit_json("missing");
    assert_eq!(fit["verdict"], "hold");
    assert!(
        fit["problems"][0]["seen"]
            .as_str()
            .unwrap()
            .contains("photo.png"),
        "{fit:#}"
    );
}

#[test]
fn odd_things_in_the_inbox_have_a_clear_outcome_each() {
    let mut shop = Shop::new(&[]);
    let pipe = |path: &Path| {
        let kind = rustix::fs::FileType::Fifo;
        rustix::fs::mknodat(rustix::fs::CWD, path, kind, rustix::fs::Mode::RWXU, 0).unwrap();
    };
    pipe(&shop.inbox("pipe"));
    symlink("/etc", shop.inbox("linked")).unwrap();
    fs::write(shop.inbox("loose.jpg"), "x").unwrap();
    fs::create_dir(shop.inbox("empty")).unwrap();
    fs::create_dir(shop.inbox(".hidden")).unwrap();
    for (number, name) in ["Shirt", "shirt", "e\u{301}t", "\u{e9}t"]
        .into_iter()
        .enumerate()
    {
        shop.drop_job(name, number as u32);
    }
    let long = "x".repeat(255);
    shop.drop_job(&long, 9);
    let odd = shop.job("odd", 10);
    pipe(&odd.join("pipe.png"));
    fs::File::create(odd.join("sparse.mov"))
        .unwrap()
        .set_len(10_000_000_000)
        .unwrap();
    let outside = shop.bench.path("outside");
    fs::write(&outside, "somebody else's").unwrap();
    fs::hard_link(&outside, odd.join("linked.txt")).unwrap();
    let _socket = std::os::unix::net::UnixListener::bind(odd.join("socket.png")).unwrap();
    fs::write(odd.join(OsStr::from_bytes(b"n\xffte.txt")), "x").unwrap();
    let disk = rustix::fs::FileType::BlockDevice;
    let device = odd.join("device.png");
    // Only an administrator can make one.
    let has_device =
        rustix::fs::mknodat(rustix::fs::CWD, &device, disk, rustix::fs::Mode::RWXU, 0).is_ok();
    fs::rename(&odd, shop.inbox("odd")).unwrap();
    let no_text = shop.inbox("").join(OsStr::from_bytes(b"no-t\xffxt"));
    fs::rename(shop.job("no-text", 12), no_text).unwrap();
    let many = shop.job("many", 11);
    for number in 0..number("EMBLEMEND_FILES", 3000) {
        fs::write(many.join(format!("{number}.txt")), "x").unwrap();
    }
    fs::rename(&many, shop.inbox("many")).unwrap();
    shop.start();
    shop.wait_for_jobs(8, 90);
    let said = |job: &str| shop.bench.fit_json(job)["problems"].to_string();
    for what in ["a pipe", "a socket", "a file of 10000 MB"] {
        assert!(said("odd").contains(what), "{what}: {}", said("odd"));
    }
    assert_eq!(said("odd").contains("device.png"), has_device);
    let source = shop.bench.path("outbox/odd/source");
    assert_eq!(
        fs::read_to_string(source.join("linked.txt")).unwrap(),
        fs::read_to_string(&outside).unwrap()
    );
    assert!(source.join(OsStr::from_bytes(b"n\xffte.txt")).is_file());
    assert!(said("many").contains("more than 1000 files"));
    let mut names = shop.published();
    names.sort();
    let cut = "x".repeat(100);
    let mut expected = vec![
        "Shirt",
        "shirt",
        "e\u{301}t",
        "\u{e9}t",
        "odd",
        "many",
        "no-t-xt",
        cut.as_str(),
    ];
    expected.sort_unstable();
    assert_eq!(names, expected);
    // What is no job stays where it was.
    for name in ["pipe", "linked", "loose.jpg", "empty", ".hidden"] {
        assert!(shop.inbox(name).symlink_metadata().is_ok(), "{name}");
    }
}

#[test]
fn a_second_daemon_says_who_is_at_work() {
    let mut shop = Shop::new(&[]);
    shop.start();
    shop.wait_for("status", 10, || {
        shop.bench.path("state/status.json").exists()
    });
    let begun = Instant::now();
    let second = shop.command().output().unwrap();
    assert_eq!(second.status.code(), Some(1));
    let said = String::from_utf8_lossy(&second.stderr);
    let pid = shop.pid().as_raw_nonzero().to_string();
    assert!(
        said.contains(&format!("process {pid}")) && said.contains("host "),
        "{said}"
    );
    assert!(begun.elapsed() < Duration::from_secs(5));
}

#[test]
fn it_stops_when_told_and_goes_on_at_the_next_start() {
    let mut shop = Shop::new(&[("workers", "1")]);
    for number in 0..6 {
        shop.drop_job(&format!("shirt-{number}"), number);
    }
    shop.start();
    shop.wait_for_jobs(1, 30);
    // Bad settings are refused, the old ones stay in force.
    fs::write(
        shop.bench.path("config/default.toml"),
        "[watch]\nnonsense = 1\n",
    )
    .unwrap();
    kill_process(shop.pid(), Signal::HUP).unwrap();
    shop.wait_for_jobs(2, 30);
    shop.set(&[("scan_seconds", "1"), ("agreeing_scans", "2")]);
    let begun = Instant::now();
    kill_process(shop.pid(), Signal::TERM).unwrap();
    assert!(shop.daemon.as_mut().unwrap().wait().unwrap().success());
    assert!(begun.elapsed() < Duration::from_secs(30));
    shop.daemon = None;
    let status = fs::read_to_string(shop.bench.path("state/status.json")).unwrap();
    assert!(status.contains("\"state\": \"stopping\""), "{status}");
    shop.start();
    shop.wait_for_jobs(6, 60);
    assert_eq!((shop.published().len(), shop.log().len()), (6, 6));
}

#[test]
fn a_job_that_kills_its_worker_is_held_after_three_tries() {
    let mut shop = Shop::new(&[("job_max_seconds", "0")]);
    shop.drop_job("shirt", 1);
    shop.start();
    shop.wait_for_jobs(1, 60);
    let fit = shop.bench.fit_json("shirt");
    assert_eq!(fit["verdict"], "hold");
    assert!(
        fit["problems"].to_string().contains("failed 3 times"),
        "{fit:#}"
    );
    assert_eq!(contents(&shop.bench.outbox().join("shirt/source")).len(), 3);
    shop.wait_for("held", 15, || {
        fs::read_dir(shop.bench.path("state/spool/held"))
            .unwrap()
            .count()
            == 1
    });
}

#[test]
fn an_outbox_that_cannot_be_written_is_waited_for() {
    let mut shop = Shop::new(&[("retry_seconds", "1")]);
    fs::remove_dir(shop.bench.outbox()).unwrap();
    fs::write(shop.bench.outbox(), "in the way").unwrap();
    shop.drop_job("shirt", 1);
    shop.start();
    shop.wait_for("a message", 30, || {
        let status = fs::read_to_string(shop.bench.path("state/status.json")).unwrap_or_default();
        status.contains("cannot be written to")
    });
    fs::remove_file(shop.bench.outbox()).unwrap();
    shop.wait_for("the outbox", 30, || {
        shop.bench.outbox().join("shirt").is_dir()
    });
}

#[test]
fn slow_copies_are_never_taken_in_part() {
    let drops: u32 = number("EMBLEMEND_DROPS", 8);
    let mut shop = Shop::new(&[]);
    shop.start();
    let begun = Instant::now();
    let hands = 8;
    std::thread::scope(|scope| {
        for hand in 0..hands {
            let shop = &shop;
            scope.spawn(move || {
                let mut dice = Dice(u64::from(hand) + 1);
                for number in (hand..drops).step_by(hands as usize) {
                    let name = format!("slow-{number}");
                    copy_slowly(&shop.job(&name, number), &shop.inbox(&name), &mut dice);
                }
            });
        }
    });
    shop.wait_for_jobs(drops as usize, 120 + 2 * u64::from(drops));
    let partial = (0..drops).filter(|number| {
        let name = format!("slow-{number}");
        let source = shop.bench.outbox().join(&name).join("source");
        contents(&source) != contents(&shop.bench.path("desk").join(&name))
    });
    let partial = partial.count();
    println!(
        "{drops} slow copies in {:.0?}: {partial} taken in part",
        begun.elapsed()
    );
    assert_eq!((partial, shop.published().len()), (0, drops as usize));
}

#[test]
fn killed_at_random_nothing_is_lost_doubled_or_changed() {
    let jobs: u32 = number("EMBLEMEND_JOBS", 12);
    let kills: u32 = number("EMBLEMEND_KILLS", 20);
    // Every worker that is shot counts as a crash: here they are not the job's fault.
    let mut shop = Shop::new(&[("crashes_max", "1000"), ("retry_seconds", "1")]);
    let undisturbed = Bench::new();
    let mut expected = BTreeMap::new();
    for number in 0..jobs {
        let name = format!("shirt-{number}");
        let folder = shop.job(&name, number);
        if number < 6 {
            shop.run(&undisturbed, &folder);
            expected.insert(name.clone(), contents(&undisturbed.outbox().join(&name)));
        }
    }
    let mut dice = Dice(7);
    let begun = Instant::now();
    let mut dropped = 0;
    for kill in 0..kills {
        if shop.daemon.is_none() {
            shop.start();
        }
        while dropped < jobs * (kill + 1) / kills {
            let name = format!("shirt-{dropped}");
            fs::rename(shop.bench.path("desk").join(&name), shop.inbox(&name)).unwrap();
            dropped += 1;
        }
        std::thread::sleep(Duration::from_millis(dice.below(1500) as u64));
        if dice.below(3) == 0 {
            shoot_a_worker(shop.pid(), &mut dice);
        } else {
            shop.kill();
        }
    }
    if shop.daemon.is_none() {
        shop.start();
    }
    shop.wait_for_jobs(jobs as usize, 120 + 3 * u64::from(jobs));
    shop.wait_for("nothing under way", 60, || {
        ["new", "working"].iter().all(|state| {
            fs::read_dir(shop.bench.path("state/spool").join(state))
                .unwrap()
                .count()
                == 0
        })
    });
    let published = shop.published();
    let mut logged: Vec<String> = shop
        .log()
        .iter()
        .map(|l| l["folder"].as_str().unwrap().to_owned())
        .collect();
    logged.sort();
    let table = fs::read_to_string(shop.bench.outbox().join("fit-log.csv")).unwrap();
    println!(
        "{jobs} jobs, {kills} kills in {:.0?}: {} published, {} log lines, {} table lines",
        begun.elapsed(),
        published.len(),
        logged.len(),
        table.lines().count() - 1
    );
    assert_eq!(
        published.len(),
        jobs as usize,
        "lost or doubled: {published:?}"
    );
    assert_eq!(logged, published);
    assert_eq!(table.lines().count(), 1 + jobs as usize);
    for (name, files) in expected {
        assert!(
            contents(&shop.bench.outbox().join(&name)) == files,
            "{name} differs"
        );
    }
}

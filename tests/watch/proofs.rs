//! Proofs that take minutes, need root, or need programs that not every computer has: run by name,
//! `cargo test --test watch NAME -- --ignored --nocapture`.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

use crate::helpers::contents;
use crate::shop::{Shop, number};

/// The daemon's own calls that change a file system.
const CALLS: [&str; 5] = [
    "rename,renameat,renameat2",
    "fsync,fdatasync",
    "unlink,unlinkat",
    "mkdir,mkdirat",
    "write",
];

/// One job's whole life: dropped, claimed, worked on, published, set aside, and at the next start
/// removed from the inbox. Everything in the shop afterwards, but for what tells the time.
fn whole_life(shop: &mut Shop, disturb: &dyn Fn(&mut Shop)) -> BTreeMap<String, Vec<u8>> {
    shop.drop_job("shirt", 1);
    disturb(shop);
    if shop.daemon.is_none() {
        shop.start();
    }
    shop.wait_for("done", 60, || {
        shop.count("state/spool/done") == 1 && shop.count("inbox") == 2
    });
    shop.stop();
    disturb(shop);
    if shop.daemon.is_none() {
        shop.start();
    }
    shop.wait_for("removed", 60, || {
        shop.count("state/spool/done") == 0
            && shop.count("inbox/.emblemend-taken") == 0
            && shop.count("state/spool/copying") == 0
    });
    shop.stop();
    assert_eq!(shop.published(), ["shirt"]);
    assert_eq!(shop.log().len(), 1);
    let table = fs::read_to_string(shop.bench.path("outbox/fit-log.csv")).unwrap();
    assert_eq!(table.lines().count(), 2);
    contents(&shop.bench.path("outbox/shirt"))
}

/// Starts the daemon under strace, which tampers with calls of the daemon itself, not of workers.
/// Ends when the job is done, or the daemon dead: `true` then.
fn tampered(shop: &mut Shop, words: &[String], done: &dyn Fn(&Shop) -> bool) -> bool {
    shop.start_under(words);
    let begun = Instant::now();
    loop {
        if shop.daemon.as_mut().unwrap().try_wait().unwrap().is_some() {
            shop.daemon = None;
            return true;
        }
        if done(shop) {
            shop.stop();
            return false;
        }
        if hits_no_disk(Path::new(&words[2])) {
            for child in crate::shop::children(shop.pid()) {
                let _ = kill_process(Pid::from_raw(child).unwrap(), Signal::KILL);
            }
        }
        assert!(begun.elapsed() < Duration::from_secs(90), "{words:?}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Whether the refused call was one by which threads wake each other: no disk refuses those.
fn hits_no_disk(trace: &Path) -> bool {
    let text = fs::read_to_string(trace).unwrap_or_default();
    let mut lines = text.lines();
    lines.any(|line| line.contains("(INJECTED)") && line.contains("<anon_inode:"))
}

fn strace(output: &Path, calls: &str, inject: Option<String>) -> Vec<String> {
    let mut words = vec!["strace".to_owned(), "-o".to_owned()];
    words.extend([output.to_string_lossy().into_owned(), "-y".to_owned()]);
    words.extend(["-e".to_owned(), format!("trace={calls}")]);
    if let Some(inject) = inject {
        words.extend(["-e".to_owned(), format!("inject={calls}:{inject}")]);
    }
    words
}

/// Tampers with every single call of one job's life, one at a time; tells how many there were, and
/// how often the daemon ended by it and had to be started again.
fn at_every_call(tamper: &str) -> [usize; 2] {
    let settings = [
        ("keep_dropped_days", "0"),
        ("retry_seconds", "1"),
        ("events", "false"),
    ];
    let trace = tempfile::tempdir().unwrap();
    let undisturbed = whole_life(&mut Shop::new(&settings), &|_| {});
    let first_done = |shop: &Shop| {
        shop.count("state/spool/done") == 1
            && shop.count("inbox") == 2
            && shop.count("state/spool/new") == 0
    };
    let second_done = |shop: &Shop| {
        shop.count("state/spool/done") == 0 && shop.count("inbox/.emblemend-taken") == 0
    };
    let mut tampered_with = 0;
    let ended = std::cell::Cell::new(0);
    for calls in CALLS {
        for start in [1, 2] {
            let mut at = 1;
            loop {
                let output = trace.path().join("trace");
                let reached = std::cell::Cell::new(false);
                let starts = std::cell::Cell::new(0);
                let disturb = |shop: &mut Shop| {
                    starts.set(starts.get() + 1);
                    if starts.get() != start {
                        return;
                    }
                    let words = strace(&output, calls, Some(format!("{tamper}:when={at}")));
                    let done: &dyn Fn(&Shop) -> bool = if start == 1 {
                        &first_done
                    } else {
                        &second_done
                    };
                    let died = tampered(shop, &words, done);
                    ended.set(ended.get() + usize::from(died && !hits_no_disk(&output)));
                    let lines = fs::read_to_string(&output).unwrap();
                    reached.set(died || lines.contains("(INJECTED)"));
                };
                let outcome = whole_life(&mut Shop::new(&settings), &disturb);
                assert!(
                    outcome == undisturbed,
                    "{tamper} at {calls} {at} of start {start}"
                );
                if !reached.get() {
                    break;
                }
                tampered_with += usize::from(!hits_no_disk(&output));
                at += 1;
            }
            println!("{calls}, start {start}: {} calls", at - 1);
        }
    }
    [tampered_with, ended.get()]
}

#[test]
#[ignore = "needs strace; 10 minutes"]
fn killed_at_every_call_of_a_jobs_life() {
    let [kills, _] = at_every_call("signal=KILL");
    println!("{kills} kills of the daemon, one at every call of a job's life: 0 wrong");
    assert!(kills > 50);
}

#[test]
#[ignore = "needs strace; 10 minutes"]
fn refused_at_every_call_by_a_faulty_disk() {
    refused_at_every_call("EIO");
}

#[test]
#[ignore = "needs strace; 10 minutes"]
fn refused_at_every_call_by_a_full_disk() {
    refused_at_every_call("ENOSPC");
}

fn refused_at_every_call(error: &str) {
    let [refusals, ended] = at_every_call(&format!("error={error}"));
    println!(
        "{refusals} calls of the daemon refused with {error}, one at a time: 0 wrong; \
         {ended} times it ended and was started again"
    );
    assert!(refusals > 50);
}

/// Fills a shop with jobs published long ago: one real one, many times.
fn fill(shop: &mut Shop, jobs: u32) {
    shop.drop_job("shirt", 1);
    shop.start();
    shop.wait_for("done", 60, || shop.count("state/spool/done") == 1);
    shop.stop();
    let id = only_entry(&shop.bench.path("state/spool/done"));
    let ticket = fs::read_to_string(id.join("ticket.json")).unwrap();
    let mark = id.file_name().unwrap().to_str().unwrap().to_owned();
    let log = fs::read_to_string(shop.bench.path("outbox/fit-log.jsonl")).unwrap();
    let mut lines = String::new();
    for number in 0..jobs {
        let (name, new_mark) = (format!("old-{number}"), format!("{number:x}-1"));
        let rename = |text: &str| text.replace(&mark, &new_mark).replace("shirt", &name);
        copy_tree(
            &shop.bench.path("outbox/shirt"),
            &shop.bench.path("outbox").join(&name),
        );
        let done = shop.bench.path("state/spool/done").join(&new_mark);
        fs::create_dir(&done).unwrap();
        fs::write(done.join("ticket.json"), rename(&ticket)).unwrap();
        fs::write(done.join("set-aside"), "").unwrap();
        let aside = shop.bench.path("inbox/.emblemend-taken");
        copy_tree(
            &aside.join(&mark).join("shirt"),
            &aside.join(&new_mark).join(&name),
        );
        lines += &rename(&log);
    }
    fs::write(shop.bench.path("outbox/fit-log.jsonl"), log + &lines).unwrap();
}

fn only_entry(folder: &Path) -> PathBuf {
    fs::read_dir(folder)
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path()
}

pub(crate) fn copy_tree(from: &Path, to: &Path) {
    for (name, bytes) in contents(from) {
        let path = to.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }
}

/// Processor time of a process so far, of all its threads; memory in use now.
fn cost(pid: Pid) -> (Duration, u64) {
    let pid = pid.as_raw_nonzero();
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    // Fields 14 and 15 of proc(5), in hundredths of a second; the name in field 2 may hold spaces.
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split(' ').collect();
    let ticks: u64 = fields[12].parse::<u64>().unwrap() + fields[13].parse::<u64>().unwrap();
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let rss = status.lines().find(|l| l.starts_with("VmRSS")).unwrap();
    let kb = rss.split_whitespace().nth(1).unwrap().parse().unwrap();
    (Duration::from_millis(10 * ticks), kb)
}

#[test]
#[ignore = "watches an idle daemon for EMBLEMEND_MINUTES (10)"]
fn idle_with_thousands_of_published_jobs() {
    let jobs = number("EMBLEMEND_JOBS", 5000);
    let minutes = number("EMBLEMEND_MINUTES", 10);
    let mut shop = Shop::new(&[("scan_seconds", "5")]);
    fill(&mut shop, jobs);
    shop.start();
    std::thread::sleep(Duration::from_secs(30));
    let (begun, (busy, first)) = (Instant::now(), cost(shop.pid()));
    let mut highest = first;
    for _ in 0..minutes {
        std::thread::sleep(Duration::from_mins(1));
        highest = highest.max(cost(shop.pid()).1);
    }
    let (now_busy, last) = cost(shop.pid());
    let percent =
        100.0 * (now_busy.as_secs_f64() - busy.as_secs_f64()) / begun.elapsed().as_secs_f64();
    println!(
        "idle for {minutes} minutes with {jobs} published jobs: {percent:.3} % of a core, \
         {first} kB at first, {highest} kB at most, {last} kB at last"
    );
    assert!(percent < 0.5 && highest < first + first / 10);
}

#[test]
#[ignore = "a minute or two"]
fn publishing_among_ten_thousand_jobs() {
    let jobs = number("EMBLEMEND_JOBS", 10_000);
    let seconds = |shop: &mut Shop, name: &str| {
        shop.start();
        shop.drop_job(name, 2);
        shop.wait_for(name, 120, || shop.bench.outbox().join(name).is_dir());
        shop.stop();
        shop.status()["published_seconds"].as_f64().unwrap()
    };
    let alone = seconds(&mut Shop::new(&[]), "alone");
    let mut shop = Shop::new(&[]);
    fill(&mut shop, jobs);
    let [first, second] = ["first", "second"].map(|name| seconds(&mut shop, name));
    let index = fs::read_to_string(shop.bench.path("outbox/index.html")).unwrap();
    println!(
        "a job takes {alone:.2} s in an empty outbox; among {jobs} {first:.2} s at first and \
         {second:.2} s from then on; index.html has {:.1} MB",
        index.len() as f64 / 1e6
    );
    assert!(index.contains("second/report.html") && index.contains("old-0/report.html"));
    assert!(second < alone + 1.0);
}

#[test]
#[ignore = "a quarter of an hour with EMBLEMEND_JOBS (1000)"]
fn soak() {
    let jobs = number("EMBLEMEND_JOBS", 1000);
    let mut shop = Shop::new(&[("workers", "2"), ("arrival_max_seconds", "60")]);
    for number in 0..jobs {
        mixed_job(&shop, &format!("shirt-{number}"), number);
    }
    let begun = Instant::now();
    shop.start();
    for number in 0..jobs {
        let name = format!("shirt-{number}");
        fs::rename(shop.bench.path("desk").join(&name), shop.inbox(&name)).unwrap();
    }
    let mut peak = (0, 0);
    let mut daemon_kb = 0;
    while shop.published().len() < jobs as usize || shop.count("state/spool/working") > 0 {
        assert!(begun.elapsed() < Duration::from_secs(60 + 10 * u64::from(jobs)));
        peak = peak.max(largest_worker(shop.pid()));
        daemon_kb = daemon_kb.max(cost(shop.pid()).1);
        std::thread::sleep(Duration::from_millis(50));
    }
    let seconds = begun.elapsed().as_secs_f64();
    shop.stop();
    let mut verdicts: BTreeMap<String, u32> = BTreeMap::new();
    for job in shop.published() {
        let verdict = shop.bench.fit_json(&job)["verdict"]
            .as_str()
            .unwrap()
            .to_owned();
        *verdicts.entry(verdict).or_default() += 1;
    }
    println!(
        "{jobs} jobs of mixed kinds through two workers in {seconds:.0} s: {} published, {} \
         log folders, verdicts {verdicts:?}; at most {} MB a worker, {} MB the daemon",
        shop.published().len(),
        shop.logged().len(),
        peak.0 / 1000,
        daemon_kb / 1000
    );
    assert_eq!(shop.published().len(), jobs as usize);
    assert_eq!(shop.logged(), shop.published());
    assert_eq!(shop.count("inbox"), 2);
}

/// The largest memory that a child of the daemon has used, and its process.
fn largest_worker(daemon: Pid) -> (u64, i32) {
    let children = crate::shop::children(daemon);
    let peak = |pid: &i32| {
        let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
        let line = status.lines().find(|l| l.starts_with("VmHWM"));
        let kb = line.and_then(|l| l.split_whitespace().nth(1)?.parse().ok());
        (kb.unwrap_or(0), *pid)
    };
    children.iter().map(peak).max().unwrap_or_default()
}

/// Jobs as they come: most plain, some with much to do, some that cannot be worked on.
fn mixed_job(shop: &Shop, name: &str, number: u32) {
    let demo = |job: &str| {
        let from = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("demo-inbox")
            .join(job);
        copy_tree(&from, &shop.bench.path("desk").join(name));
    };
    if number.is_multiple_of(200) {
        return demo("tern-bay-1991");
    }
    let folder = shop.job(name, number % 400);
    match number % 10 {
        1 => fs::write(folder.join("job.toml"), "[[emblem]]\nname = 7\n").unwrap(),
        2 => {
            fs::write(folder.join("photo.png"), "no picture").unwrap();
            fs::write(folder.join("READY"), "").unwrap();
        }
        3 => {
            let job = fs::read_to_string(folder.join("job.toml")).unwrap();
            let second = job.replace("\"crest\"", "\"number\"");
            fs::write(folder.join("job.toml"), format!("{job}\n{second}")).unwrap();
        }
        4 => std::os::unix::fs::symlink("/etc/hostname", folder.join("link")).unwrap(),
        5 => fs::write(folder.join("crest.svg"), "<svg></svg>").unwrap(),
        _ => {}
    }
}

#[test]
#[ignore = "needs two cores that nobody else uses; 5 minutes"]
fn two_workers_against_one() {
    let jobs = number("EMBLEMEND_JOBS", 8);
    let mut seconds = [0.0; 2];
    // In turn, so that whatever else the computer does weighs on both.
    for workers in [1, 2, 2, 1] {
        let mut shop = Shop::new(&[("workers", &workers.to_string())]);
        for number in 0..jobs {
            let name = format!("shirt-{number}");
            mixed_job(&shop, &name, 0);
            fs::rename(shop.bench.path("desk").join(&name), shop.inbox(&name)).unwrap();
        }
        shop.start_under(&["taskset", "-c", "0,1"].map(str::to_owned));
        let begun = Instant::now();
        shop.wait_for_jobs(jobs as usize, 600);
        seconds[workers - 1] += begun.elapsed().as_secs_f64();
        shop.stop();
    }
    let [one, two] = seconds;
    let load = fs::read_to_string("/proc/loadavg").unwrap();
    println!(
        "{jobs} jobs, twice: {one:.0} s with one worker, {two:.0} s with two on two cores: {:.2} \
         times as fast; load {load}",
        one / two
    );
    assert!(one / two >= 1.7);
}

#[test]
#[ignore = "needs libfaketime"]
fn a_clock_that_jumps_breaks_nothing() {
    let library = "/usr/lib/x86_64-linux-gnu/faketime/libfaketime.so.1";
    assert!(Path::new(library).exists(), "install libfaketime");
    let mut shop = Shop::new(&[("keep_dropped_days", "30")]);
    let clock = shop.bench.path("clock");
    let set = |offset: &str| fs::write(&clock, offset).unwrap();
    let start = |shop: &mut Shop| {
        let mut command = shop.command();
        command.env("LD_PRELOAD", library);
        command.env("FAKETIME_TIMESTAMP_FILE", &clock);
        command.envs([("FAKETIME_NO_CACHE", "1"), ("NO_FAKE_STAT", "1")]);
        command.env("FAKETIME_DONT_FAKE_MONOTONIC", "1");
        let _ = fs::remove_file(shop.bench.path("state/status.json"));
        shop.daemon = Some(command.stderr(Stdio::null()).spawn().unwrap());
        shop.wait_for("start", 20, || shop.status().is_object());
    };
    set("+0d");
    start(&mut shop);
    let mut dropped = 0;
    let mut years = Vec::new();
    for offset in ["-365d", "+365d", "+0d"] {
        // The clock jumps while jobs are under way.
        for step in 0..3 {
            shop.drop_job(&format!("shirt-{dropped}"), dropped);
            dropped += 1;
            if step == 0 {
                set(offset);
                kill_process(shop.pid(), Signal::HUP).unwrap();
            }
        }
        shop.wait_for_jobs(dropped as usize, 60);
        let line = shop.log().pop().unwrap();
        years.push(line["published"].as_str().unwrap()[..4].to_owned());
        shop.stop();
        start(&mut shop);
    }
    shop.drop_job("last", dropped);
    shop.wait_for_jobs(dropped as usize + 1, 60);
    shop.stop();
    println!(
        "clock set back and forth ({years:?}): {} of {} jobs",
        shop.log().len(),
        dropped + 1
    );
    assert!(years[0] < years[1], "the clock did not jump: {years:?}");
    assert_eq!(shop.logged(), shop.published());
    assert_eq!(shop.published().len(), dropped as usize + 1);
}

#[test]
#[ignore = "half a minute"]
fn a_worker_that_hangs_does_not_keep_a_stop_waiting() {
    let mut shop = Shop::new(&[("workers", "1")]);
    mixed_job(&shop, "shirt-0", 0);
    fs::rename(shop.bench.path("desk/shirt-0"), shop.inbox("shirt-0")).unwrap();
    shop.start();
    shop.wait_for("a worker", 20, || shop.count("state/spool/working") == 1);
    let worker = crate::shop::children(shop.pid())[0];
    kill_process(Pid::from_raw(worker).unwrap(), Signal::STOP).unwrap();
    let begun = Instant::now();
    shop.stop();
    let seconds = begun.elapsed().as_secs_f64();
    println!(
        "stopped after {seconds:.1} s with a worker that hung; the job goes on at the next start"
    );
    assert!((20.0..30.0).contains(&seconds));
    assert_eq!(shop.count("state/spool/new"), 1);
    shop.start();
    shop.wait_for_jobs(1, 300);
    assert_eq!(shop.published(), ["shirt-0"]);
}

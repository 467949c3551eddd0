//! Watched folders: what is taken and what is not, and that nothing is lost or made twice, whenever the process dies.

use super::databases::{in_memory, sqlite};
use super::help::{Fresh, example, job_program};
use super::in_process;
use super::store_disks::Small;
use bytes::Bytes;
use grainway_service::Shared;
use grainway_service::config::{Config, WatchedFolder};
use grainway_service::files::{FilePlace, Files, FilesUrl};
use grainway_service::model::{Job, JobEnd, JobId, JobState, Side, Source, Summary, When};
use grainway_service::rework;
use grainway_service::store::JobFilter;
use grainway_service::watched_folder::{Handing, Watcher};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use uuid::Uuid;
use zip::ZipWriter;
use zip::write::SimpleFileOptions;

const LIST: &str = "part,count,stock,length,width\nrail,2,oak-12,300,60\n";

struct Bench {
    shared: Arc<Shared>,
    folder: PathBuf,
    _data: Fresh,
}

impl Bench {
    async fn new() -> Bench {
        let data = in_memory();
        let folder = data.join("drop");
        std::fs::create_dir(&folder).unwrap();
        Bench::at(data, folder).await
    }

    async fn at(data: Fresh, folder: PathBuf) -> Bench {
        let shop = example("from-a-sheet").join("shop.json");
        let config = Config {
            data: data.to_path_buf(),
            shops: BTreeMap::from([("workshop".to_string(), shop)]),
            ..Config::default()
        };
        let files = Files::open(&FilesUrl::Folder(data.join("files"))).unwrap();
        let shared = in_process::shared(config, sqlite(&data).await, files, job_program());
        let shared = Arc::new(shared);
        Bench {
            shared,
            folder,
            _data: data,
        }
    }

    /// As a process that begins now sees it.
    fn watcher(&self) -> Watcher {
        self.settled_after(0)
    }

    fn settled_after(&self, seconds: u32) -> Watcher {
        Watcher::new(WatchedFolder {
            folder: self.folder.clone(),
            shop: Some("workshop".to_string()),
            settle_seconds: seconds,
            in_hours: true,
        })
    }

    fn put(&self, name: &str, text: impl AsRef<[u8]>) {
        std::fs::write(self.folder.join(name), text).unwrap();
    }

    fn put_example(&self, job: &str, name: &str, as_name: &str) {
        std::fs::copy(example(job).join(name), self.folder.join(as_name)).unwrap();
    }

    fn has(&self, name: &str) -> bool {
        self.folder.join(name).exists()
    }

    fn text(&self, name: &str) -> String {
        let path = self.folder.join(name);
        std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
    }

    /// Every file and folder, without the lock.
    fn all(&self) -> Vec<String> {
        fn walk(root: &Path, at: &Path, found: &mut Vec<String>) {
            for entry in std::fs::read_dir(at).unwrap() {
                let path = entry.unwrap().path();
                let name = path
                    .strip_prefix(root)
                    .unwrap()
                    .to_str()
                    .unwrap()
                    .to_string();
                match path.is_dir() && !path.is_symlink() {
                    true => walk(root, &path, found),
                    false if name != "taken/.watched" => found.push(name),
                    false => {}
                }
            }
        }
        let mut found = Vec::new();
        walk(&self.folder, &self.folder, &mut found);
        found.sort();
        found
    }

    async fn jobs(&self) -> Vec<Job> {
        let filter = JobFilter {
            limit: 100,
            ..JobFilter::default()
        };
        self.shared.store.jobs(&filter).await.unwrap()
    }

    /// What a worker would do.
    async fn end_all(&self, state: JobState) {
        let store = &self.shared.store;
        let now = self.shared.now();
        while let Some(claimed) = store
            .claim(Uuid::new_v4(), now, now + 60_000, true)
            .await
            .unwrap()
        {
            let id = claimed.job.id;
            let mut files = Vec::new();
            for (name, text) in [("report.json", "{}"), ("programs/01-board-1.ngc", "G21\n")] {
                let place = FilePlace {
                    job: id,
                    side: Side::Out,
                    attempt: Some("a1"),
                    name,
                };
                files.push(
                    self.shared
                        .files
                        .put(&place, Bytes::from(text))
                        .await
                        .unwrap(),
                );
            }
            let end = JobEnd {
                state,
                summary: Summary {
                    sentence: "Five programs for one board.".to_string(),
                    programs: 5,
                    boards: 1,
                    machine_seconds: 90.0,
                    ..Summary::default()
                },
                files,
                output: Some("a1".to_string()),
                lost: false,
            };
            assert!(store.complete(&claimed.claim, &end, now).await.unwrap());
        }
    }

    async fn handed_in(&self, id: JobId) -> Vec<String> {
        let files = self.shared.store.files(id, Side::In).await.unwrap();
        files.into_iter().map(|f| f.name).collect()
    }
}

fn zipped(files: &[(&str, &[u8])]) -> Vec<u8> {
    let mut zip = ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, bytes) in files {
        zip.start_file(*name, SimpleFileOptions::default()).unwrap();
        zip.write_all(bytes).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

#[tokio::test]
async fn a_job_with_its_drawing_and_shop_becomes_results_beside_it() {
    let bench = Bench::new().await;
    bench.put_example("reading-bench", "job.json", "Reading bench.json");
    bench.put_example("reading-bench", "shop.json", "shop.json");
    bench.put_example("reading-bench", "bench-end.dxf", "bench-end.dxf");
    let mut watcher = bench.watcher();
    watcher.round(&bench.shared).await;
    let jobs = bench.jobs().await;
    assert_eq!(jobs.len(), 1, "{:?}", bench.all());
    assert_eq!(
        (jobs[0].source, jobs[0].when),
        (Source::Folder, When::Hours)
    );
    assert_eq!(
        bench.handed_in(jobs[0].id).await,
        ["bench-end.dxf", "job.json", "shop.json"]
    );
    assert!(!bench.has("Reading bench.json") && bench.has("shop.json"));
    watcher.round(&bench.shared).await;
    assert!(!bench.has("done"));
    bench.end_all(JobState::Ready).await;
    watcher.round(&bench.shared).await;
    assert_eq!(
        bench.all(),
        [
            "bench-end.dxf",
            "done/Reading bench.json",
            "done/Reading bench.txt",
            "done/Reading bench/programs/01-board-1.ngc",
            "done/Reading bench/report.json",
            "shop.json",
        ]
    );
    let text = bench.text("done/Reading bench.txt");
    for words in [
        "Reading bench for the village library: ready",
        "Five programs",
        "not run on your machine",
        "Programs: 5",
        "machine time: 2 min",
        &jobs[0].code,
    ] {
        assert!(text.contains(words), "{words} is missing in {text}");
    }
    watcher.round(&bench.shared).await;
    assert_eq!(bench.jobs().await.len(), 1);
}

/// A job measured again, on the page or by command, makes what lies in `done` stale: the newer programs take its place, also when the
/// service was not running when they were made.
#[tokio::test]
async fn what_a_measured_job_made_takes_the_old_ones_place() {
    let bench = Bench::new().await;
    bench.put_example("step-stool", "job.json", "stool.json");
    bench.put_example("step-stool", "shop.json", "shop.json");
    let mut watcher = bench.watcher();
    watcher.round(&bench.shared).await;
    bench.end_all(JobState::Ready).await;
    watcher.round(&bench.shared).await;
    let program = "done/stool/programs/01-board-1.ngc";
    let measure = async |old: JobId, thickness: &str| -> JobId {
        let old = bench.shared.store.job(old).await.unwrap().unwrap();
        let wood = serde_json::json!({ "thickness": { "oak-19": thickness } });
        let wood = serde_json::from_value(wood).unwrap();
        let taken = rework::measured(&bench.shared, &old, &wood, None, None, false);
        assert!(taken.await.is_ok());
        bench.end_all(JobState::Ready).await;
        let old = bench.shared.store.job(old.id).await.unwrap().unwrap();
        old.replaced_by.unwrap()
    };
    let first = bench.jobs().await[0].id;
    std::fs::write(bench.folder.join(program), "the old one").unwrap();
    let second = measure(first, "19.0mm").await;
    watcher.round(&bench.shared).await;
    let text = bench.text("done/stool.txt");
    assert!(text.contains(&second.to_string()), "{text}");
    assert!(
        text.contains(&format!("The programs of job {first} are stale")),
        "{text}"
    );
    assert_eq!(bench.text(program), "G21\n");
    assert!(bench.has("done/stool.json"));
    // While nobody watched, and twice.
    drop(watcher);
    std::fs::write(bench.folder.join(program), "the old one").unwrap();
    let third = measure(second, "19.1mm").await;
    let fourth = measure(third, "19.2mm").await;
    let mut watcher = bench.watcher();
    watcher.round(&bench.shared).await;
    let text = bench.text("done/stool.txt");
    assert!(text.contains(&fourth.to_string()), "{text}");
    assert_eq!(bench.text(program), "G21\n");
    // Whoever took the text away has taken the results over.
    std::fs::remove_file(bench.folder.join("done/stool.txt")).unwrap();
    std::fs::write(bench.folder.join(program), "mine").unwrap();
    measure(fourth, "19.0mm").await;
    watcher.round(&bench.shared).await;
    assert_eq!(bench.text(program), "mine");
    assert!(!bench.has("done/stool.txt"));
}

#[tokio::test]
async fn a_list_with_options_beside_it_becomes_several_jobs() {
    let bench = Bench::new().await;
    bench.put_example("from-a-sheet", "card-index-cabinet.csv", "cabinet.csv");
    bench.put(
        "parts-lists.json",
        r#"{"format": "grainway.list/1", "defaults": {"stock": "oak-12"}}"#,
    );
    bench.put(
        "cabinet.json",
        r#"{"format": "grainway.list/1", "name": "Card index"}"#,
    );
    let mut watcher = bench.watcher();
    watcher.round(&bench.shared).await;
    let mut jobs = bench.jobs().await;
    jobs.sort_by_key(|j| j.id);
    let names: Vec<&str> = jobs.iter().map(|j| j.name.as_str()).collect();
    assert_eq!(
        names,
        ["Card index, carcase", "Card index, drawers"],
        "{:?}",
        bench.all()
    );
    assert_eq!(jobs[0].batch.as_deref(), Some("cabinet.csv"));
    assert_eq!(
        bench.handed_in(jobs[0].id).await,
        ["cabinet.csv", "job-carcase.json", "workshop"]
    );
    bench.end_all(JobState::Withheld).await;
    watcher.round(&bench.shared).await;
    assert_eq!(
        bench.all(),
        [
            "cabinet.json",
            "done/cabinet.csv",
            "done/cabinet.txt",
            "done/cabinet/carcase/programs/01-board-1.ngc",
            "done/cabinet/carcase/report.json",
            "done/cabinet/drawers/programs/01-board-1.ngc",
            "done/cabinet/drawers/report.json",
            "parts-lists.json",
        ]
    );
    assert!(
        bench
            .text("done/cabinet.txt")
            .contains("Act on the findings")
    );
}

#[tokio::test]
async fn what_is_wrong_is_told_beside_what_was_refused() {
    let bench = Bench::new().await;
    bench.put(
        "rows.csv",
        "part,count,stock,length,width\nrail,two,oak-12,300,60\nseat,1,oak-13,300,sixty\n",
    );
    bench.put(
        "stock.csv",
        "part,count,stock,length,width\nrail,2,oak-12,300,60\nseat,1,oak-13,300,-60\n",
    );
    bench.put("broken.json", "{ \"format\": \"grainway.job/1\", ");
    bench.put("other.json", "{ \"name\": \"something else\" }");
    bench.put("job.json", r#"{ "format": "grainway.job/1", "name": "x", "shop": "workshop", "parts": [{ "id": "a" }] }"#);
    bench.put("torn.zip", &zipped(&[("job.json", b"{}")])[..40]);
    bench.put(
        "tricks.zip",
        zipped(&[("../job.json", b"{}"), (".hidden", b"")]),
    );
    bench.put("options.csv", LIST);
    bench.put(
        "options.json",
        r#"{"format": "grainway.list/1", "shp": "workshop"}"#,
    );
    let mut watcher = bench.watcher();
    watcher.round(&bench.shared).await;
    assert_eq!(bench.jobs().await.len(), 0);
    for (name, words) in [
        (
            "rows.csv",
            vec!["row 2, count", "row 3, width", "whole number"],
        ),
        ("stock.csv", vec!["row 3, width", "-60"]),
        ("broken.json", vec!["not JSON"]),
        ("other.json", vec!["grainway.job/1"]),
        ("job.json", vec!["job.json#/parts/0"]),
        ("torn.zip", vec!["cannot be read"]),
        ("tricks.zip", vec!["../job.json", ".hidden"]),
        ("options.csv", vec!["/shp", "known are"]),
    ] {
        assert!(
            bench.has(&format!("refused/{name}")),
            "{name} in {:?}",
            bench.all()
        );
        let text = bench.text(&format!("refused/{name}.txt"));
        for word in words {
            assert!(text.contains(word), "{name}: {word} is missing in {text}");
        }
    }
    assert!(
        bench.has("options.json"),
        "options stay for the corrected list"
    );
    assert!(watcher.claims().await.unwrap().is_empty());
}

#[tokio::test]
async fn the_newest_of_a_name_is_what_stands_there() {
    let bench = Bench::new().await;
    let mut watcher = bench.watcher();
    bench.put("cabinet.csv", LIST);
    watcher.round(&bench.shared).await;
    // While it is made, one of the same name waits.
    bench.put("cabinet.csv", LIST.replace("rail", "shelf"));
    watcher.round(&bench.shared).await;
    assert_eq!(bench.jobs().await.len(), 1);
    assert!(bench.has("cabinet.csv"));
    bench.end_all(JobState::Ready).await;
    watcher.round(&bench.shared).await;
    assert!(bench.text("done/cabinet.csv").contains("rail"));
    watcher.round(&bench.shared).await;
    assert_eq!(bench.jobs().await.len(), 2);
    bench.end_all(JobState::Failed).await;
    watcher.round(&bench.shared).await;
    assert!(bench.text("done/cabinet.csv").contains("shelf"));
    assert!(bench.text("done/cabinet.txt").contains("failed"));
    // The same once more, on purpose: a new job. Refused: the old results go.
    bench.put("cabinet.csv", LIST.replace("rail", "shelf"));
    watcher.round(&bench.shared).await;
    assert_eq!(bench.jobs().await.len(), 3);
    bench.end_all(JobState::Ready).await;
    watcher.round(&bench.shared).await;
    bench.put("cabinet.csv", LIST.replace("300", "long"));
    watcher.round(&bench.shared).await;
    assert_eq!(
        bench.all(),
        ["refused/cabinet.csv", "refused/cabinet.csv.txt"]
    );
    bench.put("cabinet.csv", LIST);
    watcher.round(&bench.shared).await;
    bench.end_all(JobState::Ready).await;
    watcher.round(&bench.shared).await;
    assert_eq!(
        bench.all(),
        [
            "done/cabinet.csv",
            "done/cabinet.txt",
            "done/cabinet/programs/01-board-1.ngc",
            "done/cabinet/report.json"
        ]
    );
}

#[tokio::test]
async fn a_file_that_still_grows_is_not_taken() {
    let bench = Bench::new().await;
    let config = &bench.shared.config;
    let mut watcher = bench.settled_after(5);
    let start = Instant::now();
    let at = |seconds: u64| start + Duration::from_secs(seconds);
    bench.put("cabinet.csv", &LIST[..30]);
    assert!(watcher.look_at(config, at(0)).await.unwrap().is_empty());
    assert!(watcher.look_at(config, at(4)).await.unwrap().is_empty());
    bench.put("cabinet.csv", LIST);
    assert!(watcher.look_at(config, at(6)).await.unwrap().is_empty());
    assert!(watcher.look_at(config, at(10)).await.unwrap().is_empty());
    let settled = watcher.look_at(config, at(11)).await.unwrap();
    assert_eq!(settled.len(), 1);
    // It changes between the look and the claim: it is put back.
    bench.put("cabinet.csv", format!("{LIST}seat,1,oak-12,300,60\n"));
    assert!(watcher.claim(&settled[0]).await.unwrap().is_none());
    assert!(bench.has("cabinet.csv") && watcher.claims().await.unwrap().is_empty());
    assert!(watcher.look_at(config, at(12)).await.unwrap().is_empty());
    let settled = watcher.look_at(config, at(18)).await.unwrap();
    let claim = watcher.claim(&settled[0]).await.unwrap().unwrap();
    assert_eq!(claim.file, "cabinet.csv");
    // Somebody else has it already.
    assert!(watcher.claim(&settled[0]).await.unwrap().is_none());
}

#[tokio::test]
async fn what_lacks_its_end_or_its_drawing_is_waited_for() {
    let bench = Bench::new().await;
    let config = &bench.shared.config;
    let mut watcher = bench.settled_after(5);
    let start = Instant::now();
    let at = |seconds: u64| start + Duration::from_secs(seconds);
    let names = |settled: Vec<grainway_service::watched_folder::Settled>| -> Vec<String> {
        settled.into_iter().map(|s| s.name).collect()
    };
    let zip = zipped(&[("job.json", b"{}")]);
    bench.put("half.zip", &zip[..zip.len() / 2]);
    bench.put("half.json", "{ \"format\"");
    bench.put_example("reading-bench", "job.json", "bench.json");
    bench.put_example("reading-bench", "shop.json", "shop.json");
    assert!(watcher.look_at(config, at(0)).await.unwrap().is_empty());
    assert!(watcher.look_at(config, at(20)).await.unwrap().is_empty());
    bench.put_example("reading-bench", "bench-end.dxf", "bench-end.dxf");
    assert!(
        watcher.look_at(config, at(21)).await.unwrap().is_empty(),
        "the drawing is fresh"
    );
    assert_eq!(
        names(watcher.look_at(config, at(27)).await.unwrap()),
        ["bench.json"]
    );
    std::fs::remove_file(bench.folder.join("bench-end.dxf")).unwrap();
    assert_eq!(watcher.look_at(config, at(49)).await.unwrap().len(), 0);
    assert_eq!(
        names(watcher.look_at(config, at(50)).await.unwrap()),
        ["bench.json", "half.json"]
    );
}

#[cfg(unix)]
#[tokio::test]
async fn links_pipes_and_names_of_programs_at_work_are_left_alone() {
    let bench = Bench::new().await;
    let outside = in_memory();
    std::fs::write(outside.join("secret.csv"), LIST).unwrap();
    std::os::unix::fs::symlink(outside.join("secret.csv"), bench.folder.join("link.csv")).unwrap();
    nix::unistd::mkfifo(
        &bench.folder.join("pipe.csv"),
        nix::sys::stat::Mode::S_IRWXU,
    )
    .unwrap();
    for name in [
        ".hidden.csv",
        "~$open.xlsx",
        "copy.csv.part",
        "copy.tmp",
        "notes.txt",
        "cabinet.csv~",
    ] {
        bench.put(name, LIST);
    }
    std::fs::create_dir(bench.folder.join("folder.csv")).unwrap();
    bench.put(
        "job.json",
        r#"{ "format": "grainway.job/1", "name": "x", "shop": "linked.json", "parts": [] }"#,
    );
    std::os::unix::fs::symlink(outside.join("secret.csv"), bench.folder.join("linked.json"))
        .unwrap();
    let before = bench.all().len();
    let mut watcher = bench.watcher();
    watcher.round(&bench.shared).await;
    assert!(
        bench.text("refused/job.json.txt").contains("linked.json"),
        "the link is as if it were not there"
    );
    assert_eq!(bench.all().len(), before + 1);
    assert!(bench.jobs().await.is_empty());

    // A link in the place of our own folders.
    std::fs::remove_dir_all(bench.folder.join("refused")).unwrap();
    std::os::unix::fs::symlink(&*outside, bench.folder.join("refused")).unwrap();
    bench.put("bad.csv", "nothing");
    watcher.round(&bench.shared).await;
    assert_eq!(watcher.claims().await.unwrap().len(), 1);
    assert_eq!(std::fs::read_dir(&*outside).unwrap().count(), 1);
    std::fs::remove_file(bench.folder.join("refused")).unwrap();
    watcher.round(&bench.shared).await;
    assert!(bench.has("refused/bad.csv.txt"));
}

#[tokio::test]
async fn a_folder_that_cannot_be_written_or_is_watched_already_takes_nothing() {
    let bench = Bench::new().await;
    bench.put("cabinet.csv", LIST);
    let mut first = bench.watcher();
    first.round(&bench.shared).await;
    assert_eq!(bench.jobs().await.len(), 1);
    bench.put("other.csv", LIST);
    let mut second = bench.watcher();
    second.round(&bench.shared).await;
    assert!(bench.has("other.csv"));
    drop(first);
    second.round(&bench.shared).await;
    assert!(!bench.has("other.csv"));

    let Some(small) = Small::mounted("1m") else {
        return;
    };
    let bench = Bench::at(in_memory(), small.path().to_path_buf()).await;
    bench.put("cabinet.csv", LIST);
    // The lock is a file that is open for writing: who holds it is gone before the drive is read-only.
    small.now("ro");
    bench.watcher().round(&bench.shared).await;
    assert!(bench.jobs().await.is_empty() && bench.has("cabinet.csv"));
    small.now("rw");
    bench.watcher().round(&bench.shared).await;
    assert_eq!(bench.jobs().await.len(), 1);
    bench.end_all(JobState::Ready).await;
    small.now("ro");
    bench.watcher().round(&bench.shared).await;
    assert_eq!(bench.watcher().claims().await.unwrap().len(), 1);
    small.now("rw");
    bench.watcher().round(&bench.shared).await;
    assert!(bench.has("done/cabinet/report.json") && bench.has("done/cabinet.txt"));
}

/// The process dies after each step there is; another begins with what lies in the folder and in the queue.
#[tokio::test]
async fn killed_between_any_two_steps_nothing_is_lost_or_made_twice() {
    for killed_after in 0..11 {
        let bench = Bench::new().await;
        // Something stood there already.
        bench.put("cabinet.csv", LIST.replace("rail", "old"));
        let mut watcher = bench.watcher();
        watcher.round(&bench.shared).await;
        bench.end_all(JobState::Ready).await;
        watcher.round(&bench.shared).await;
        drop(watcher);

        bench.put("cabinet.csv", LIST);
        {
            let mut watcher = bench.watcher();
            let settled = watcher.look(&bench.shared.config).await.unwrap();
            if killed_after > 0 {
                let claim = watcher.claim(&settled[0]).await.unwrap().unwrap();
                if killed_after > 1 {
                    let Handing::Jobs(jobs) = watcher.hand_in(&bench.shared, &claim).await.unwrap()
                    else {
                        panic!("refused");
                    };
                    if killed_after > 2 {
                        bench.end_all(JobState::Ready).await;
                        // Results up to step 0 to 7; after the sixth the claim is gone.
                        watcher
                            .put_away(&bench.shared, &claim, &jobs, killed_after - 3)
                            .await
                            .unwrap();
                    }
                }
            }
        }
        // The shop is no longer there: what the queue has already is not asked again.
        let mut config = bench.shared.config.clone();
        if killed_after > 1 {
            config.shops.clear();
        }
        let (store, files) = (bench.shared.store.clone(), bench.shared.files.clone());
        let after = in_process::shared(config, store, files, job_program());
        let mut watcher = bench.watcher();
        for _ in 0..2 {
            watcher.round(&after).await;
            bench.end_all(JobState::Ready).await;
        }
        watcher.round(&after).await;
        let jobs = bench.jobs().await;
        assert_eq!(jobs.len(), 2, "killed after {killed_after}");
        assert_eq!(
            bench.all(),
            [
                "done/cabinet.csv",
                "done/cabinet.txt",
                "done/cabinet/programs/01-board-1.ngc",
                "done/cabinet/report.json"
            ],
            "killed after {killed_after}"
        );
        assert!(
            bench.text("done/cabinet.csv").contains("rail"),
            "killed after {killed_after}"
        );
        assert!(
            bench
                .text("done/cabinet.txt")
                .contains(&jobs[0].id.to_string())
        );
    }
}

/// A file that somebody still wrote to when it was claimed goes back under its own name; the process died when it had both.
#[tokio::test]
async fn killed_while_a_claim_is_undone_the_file_is_made_once() {
    let bench = Bench::new().await;
    std::fs::create_dir(bench.folder.join("taken")).unwrap();
    bench.put("cabinet.csv", LIST);
    let claimed = format!("taken/{}.cabinet.csv", Uuid::now_v7());
    std::fs::hard_link(
        bench.folder.join("cabinet.csv"),
        bench.folder.join(&claimed),
    )
    .unwrap();
    let mut watcher = bench.watcher();
    for _ in 0..3 {
        watcher.round(&bench.shared).await;
        bench.end_all(JobState::Ready).await;
    }
    assert_eq!(bench.jobs().await.len(), 1);
    assert!(!bench.has(&claimed) && !bench.has("cabinet.csv") && bench.has("done/cabinet.txt"));
}

#[tokio::test]
async fn a_store_that_is_away_costs_nothing_but_time() {
    use grainway_service::faults::{Faults, InjectedFault};
    struct Away(std::sync::atomic::AtomicBool);
    impl Faults for Away {
        fn before(&self, _call: &'static str) -> Option<InjectedFault> {
            self.0
                .load(std::sync::atomic::Ordering::Relaxed)
                .then_some(InjectedFault::NotDone)
        }
    }
    let bench = Bench::new().await;
    let away = Arc::new(Away(true.into()));
    let store = bench.shared.store.clone().failing(away.clone());
    let (config, files) = (bench.shared.config.clone(), bench.shared.files.clone());
    let shared = in_process::shared(config, store, files, job_program());
    bench.put("cabinet.csv", LIST);
    let mut watcher = bench.watcher();
    watcher.round(&shared).await;
    assert_eq!(watcher.claims().await.unwrap().len(), 1);
    away.0.store(false, std::sync::atomic::Ordering::Relaxed);
    watcher.round(&shared).await;
    assert_eq!(bench.jobs().await.len(), 1);
}

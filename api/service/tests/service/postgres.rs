//! A real PostgreSQL server that a test starts and stops.

use sqlx::{AnyConnection, Connection, Executor};
use std::net::TcpListener;
use std::path::PathBuf;
use std::process::{Command, Output};
use std::sync::atomic::{AtomicU32, Ordering};

/// A PostgreSQL server of a test's own on 127.0.0.1. It stops when dropped.
pub struct Server {
    folder: PathBuf,
    bin: PathBuf,
    port: u16,
    databases: AtomicU32,
}

impl Server {
    /// Starts one; `None` with a line where PostgreSQL is not installed, unless GRAINWAY_REQUIRE_POSTGRES is set.
    pub fn start() -> Option<Server> {
        let Some(bin) = bin() else {
            assert!(
                std::env::var_os("GRAINWAY_REQUIRE_POSTGRES").is_none(),
                "PostgreSQL is not installed (Debian: postgresql)"
            );
            println!("skipped: PostgreSQL is not installed (Debian: postgresql)");
            return None;
        };
        // Below the system's folder for passing things: a project inside a home folder is closed to the server's user.
        let folder = std::env::temp_dir().join(format!("grainway-pg-{}", uuid::Uuid::new_v4()));
        std::fs::create_dir(&folder).unwrap();
        if root() {
            std::os::unix::fs::chown(&folder, Some(id("-u")), Some(id("-g"))).unwrap();
        }
        let port = TcpListener::bind("127.0.0.1:0")
            .and_then(|l| l.local_addr())
            .unwrap()
            .port();
        let server = Server {
            folder,
            bin,
            port,
            databases: AtomicU32::new(0),
        };
        let data = server.folder.join("data");
        let data = data.to_str().unwrap();
        server.run(
            "initdb",
            &[
                "-D",
                data,
                "-U",
                "workshop",
                "-A",
                "trust",
                "-N",
                "-E",
                "UTF8",
                "--no-locale",
            ],
        );
        server.up();
        Some(server)
    }

    /// Starts the stopped server again.
    pub fn up(&self) {
        let (data, log) = (self.folder.join("data"), self.folder.join("log"));
        let options = format!(
            "-c listen_addresses=127.0.0.1 -c port={} -c unix_socket_directories='' -c max_connections=60",
            self.port
        );
        self.run(
            "pg_ctl",
            &[
                "-D",
                data.to_str().unwrap(),
                "-l",
                log.to_str().unwrap(),
                "-o",
                &options,
                "-w",
                "-t",
                "60",
                "start",
            ],
        );
    }

    /// Stops it at once, as a power cut would: open connections break off.
    pub fn down(&self) {
        let data = self.folder.join("data");
        self.run(
            "pg_ctl",
            &[
                "-D",
                data.to_str().unwrap(),
                "-m",
                "immediate",
                "-w",
                "-t",
                "60",
                "stop",
            ],
        );
    }

    /// Its port.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// An empty database: its address.
    pub async fn database(&self) -> String {
        sqlx::any::install_default_drivers();
        let n = self.databases.fetch_add(1, Ordering::Relaxed);
        let base = format!("postgres://workshop@127.0.0.1:{}", self.port);
        let mut connection = AnyConnection::connect(&format!("{base}/postgres"))
            .await
            .unwrap();
        let sql = sqlx::AssertSqlSafe(format!("CREATE DATABASE queue_{n}"));
        connection.execute(sql).await.unwrap();
        connection.close().await.unwrap();
        format!("{base}/queue_{n}")
    }

    fn run(&self, program: &str, arguments: &[&str]) {
        let output = self.ran(program, arguments);
        let said = String::from_utf8_lossy(&output.stderr);
        let log = std::fs::read_to_string(self.folder.join("log")).unwrap_or_default();
        assert!(output.status.success(), "{program}: {said}\n{log}");
    }

    fn ran(&self, program: &str, arguments: &[&str]) -> Output {
        let program = self.bin.join(program);
        // The server refuses to run as root.
        let mut command = match root() {
            true => {
                let mut command = Command::new("runuser");
                command.args(["-u", "postgres", "--"]).arg(program);
                command
            }
            false => Command::new(program),
        };
        // The server inherits what it is given: a pipe would stay open for as long as it runs.
        let said = std::fs::File::create(self.folder.join("said")).unwrap();
        let status = command
            .args(arguments)
            .current_dir(&self.folder)
            .stdout(said.try_clone().unwrap())
            .stderr(said)
            .status()
            .unwrap();
        Output {
            status,
            stdout: Vec::new(),
            stderr: std::fs::read(self.folder.join("said")).unwrap(),
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let data = self.folder.join("data");
        self.ran(
            "pg_ctl",
            &[
                "-D",
                data.to_str().unwrap(),
                "-m",
                "immediate",
                "-w",
                "stop",
            ],
        );
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

/// May do what only the superuser may.
pub fn root() -> bool {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata("/proc/self").is_ok_and(|m| m.uid() == 0)
}

fn id(what: &str) -> u32 {
    let output = Command::new("id")
        .args([what, "postgres"])
        .output()
        .unwrap();
    String::from_utf8(output.stdout)
        .unwrap()
        .trim()
        .parse()
        .unwrap()
}

fn bin() -> Option<PathBuf> {
    let debian = std::fs::read_dir("/usr/lib/postgresql")
        .into_iter()
        .flatten();
    let mut found: Vec<PathBuf> = debian.flatten().map(|d| d.path().join("bin")).collect();
    found.sort();
    let path = std::env::var_os("PATH").unwrap_or_default();
    let mut all = std::env::split_paths(&path).collect::<Vec<_>>();
    all.extend(found.into_iter().rev());
    all.into_iter()
        .find(|d| d.join("initdb").is_file() && d.join("pg_ctl").is_file())
}

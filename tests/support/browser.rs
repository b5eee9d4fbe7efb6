//! A page in headless Chromium. The page is served to the browser from this program, with a script that runs in it and sends
//! back what it found.

#![allow(dead_code, reason = "each program uses a part")]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;

/// A page that has told nothing by then hangs.
const PATIENCE: Duration = Duration::from_mins(1);

/// The first of some programs that is installed.
pub fn program(names: &[&str]) -> Option<PathBuf> {
    let folders = std::env::var_os("PATH")?;
    let folders: Vec<PathBuf> = std::env::split_paths(&folders).collect();
    names.iter().flat_map(|name| folders.iter().map(move |folder| folder.join(name))).find(|path| path.is_file())
}

/// How the reader looks at the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Light {
    Light,
    Dark,
}

/// A browser with a profile of its own.
pub struct Browser {
    program: PathBuf,
    home: TempDir,
}

/// A browser that is running; it ends with its owner.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Browser {
    /// The browser, where one is installed.
    pub fn installed() -> Option<Self> {
        let program = program(&["chromium", "chromium-browser", "google-chrome"])?;
        Some(Self { program, home: TempDir::new().unwrap() })
    }

    fn command(&self) -> Command {
        let mut command = Command::new(&self.program);
        command.args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--hide-scrollbars",
        ]);
        command.arg(format!("--user-data-dir={}", self.home.path().join("profile").display()));
        command
    }

    /// Runs `script`, the body of an async function that returns what JSON can tell, in the page once it is loaded. The
    /// result holds `errors` (of the page and its console) and `found`.
    pub fn run(&self, page: &str, script: &str, light: Light, width: u32) -> Value {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let page = with_probe(page, script);
        let mut command = self.command();
        if light == Light::Dark {
            command.arg("--blink-settings=preferredColorScheme=0");
        }
        command.arg(format!("--window-size={width},1000"));
        command.arg(format!("http://{}/", listener.local_addr().unwrap()));
        let running = Running(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap());
        let told = serve(&listener, &page);
        drop(running);
        serde_json::from_str(&told).unwrap()
    }

    /// The page as it is printed.
    pub fn print(&self, page: &Path) -> Vec<u8> {
        let into = self.home.path().join("page.pdf");
        let mut command = self.command();
        command.arg("--no-pdf-header-footer").arg(format!("--print-to-pdf={}", into.display()));
        let output = command.arg(format!("file://{}", page.display())).output().unwrap();
        std::fs::read(&into).unwrap_or_else(|error| panic!("{error}: {}", String::from_utf8_lossy(&output.stderr)))
    }

    /// A picture of the page, PNG.
    pub fn picture(&self, page: &Path, (width, height): (u32, u32), light: Light) -> Vec<u8> {
        let into = self.home.path().join("page.png");
        let mut command = self.command();
        if light == Light::Dark {
            command.arg("--blink-settings=preferredColorScheme=0");
        }
        command.arg(format!("--window-size={width},{height}")).arg("--virtual-time-budget=5000");
        command.arg(format!("--screenshot={}", into.display()));
        let output = command.arg(format!("file://{}", page.display())).output().unwrap();
        std::fs::read(&into).unwrap_or_else(|error| panic!("{error}: {}", String::from_utf8_lossy(&output.stderr)))
    }
}

/// The page with a watch for errors before its own scripts, and the script after them. Its own policy lets it ask nobody; to
/// send back what it found, it may ask where it came from.
fn with_probe(page: &str, script: &str) -> String {
    let watch = "<script>window.seen = []; window.addEventListener('error', (event) => seen.push(String(event.message)));\
         window.addEventListener('unhandledrejection', (event) => seen.push(String(event.reason)));\
         document.addEventListener('securitypolicyviolation', (event) => { if (!event.blockedURI.endsWith('/favicon.ico')) seen.push('policy: ' + event.violatedDirective + ' ' + event.blockedURI); });\
         for (const level of ['error', 'warn']) console[level] = (...words) => seen.push(words.join(' '));</script>";
    let probe = format!(
        "<script>window.addEventListener('load', async () => {{ let found = null;\
         const until = async (ready) => {{ for (let at = 0; at < 500 && !ready(); at++) await new Promise((done) => setTimeout(done, 20)); }};\
         try {{ found = await (async () => {{ {script} }})(); }} catch (error) {{ seen.push(String(error.stack || error)); }}\
         fetch('/told', {{ method: 'POST', body: JSON.stringify({{ errors: seen, found }}) }}); }});</script>"
    );
    let page = page.replace("default-src 'none';", "default-src 'none'; connect-src 'self';");
    let (head, rest) = page.split_once("<head>").unwrap();
    let end = rest.rfind("</body>").unwrap();
    format!("{head}<head>{watch}{}{probe}{}", &rest[..end], &rest[end..])
}

/// Serves the page until something is told.
fn serve(listener: &TcpListener, page: &str) -> String {
    listener.set_nonblocking(true).unwrap();
    let begun = Instant::now();
    while begun.elapsed() < PATIENCE {
        match listener.accept() {
            Ok((stream, _)) => {
                stream.set_nonblocking(false).unwrap();
                if let Some(told) = answer(&stream, page) {
                    return told;
                }
            }
            Err(_) => std::thread::sleep(Duration::from_millis(5)),
        }
    }
    panic!("the page told nothing in {PATIENCE:?}");
}

/// Answers one request; what was posted is what the page tells.
fn answer(stream: &TcpStream, page: &str) -> Option<String> {
    stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    let mut reader = BufReader::new(stream);
    let mut first = String::new();
    reader.read_line(&mut first).ok()?;
    let mut length = 0;
    let mut line = String::new();
    while reader.read_line(&mut line).ok()? > 2 {
        if let Some(value) = line.to_lowercase().strip_prefix("content-length:") {
            length = value.trim().parse().unwrap();
        }
        line.clear();
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).ok()?;
    let (status, content) = match first.split(' ').nth(1) {
        Some("/") => ("200 OK", page),
        Some("/told") => ("204 No Content", ""),
        _ => ("404 Not Found", ""),
    };
    let head = format!(
        "HTTP/1.1 {status}\r\nContent-Type: text/html; charset=utf-8\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
        content.len()
    );
    let mut writer = stream;
    writer.write_all(head.as_bytes()).ok()?;
    writer.write_all(content.as_bytes()).ok()?;
    first.starts_with("POST /told").then(|| String::from_utf8(body).unwrap())
}

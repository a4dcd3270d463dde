"""A PostgreSQL server for one test: Debian's, on a socket in the test's folder, no network."""
import fcntl
import os
import pathlib
import shutil
import signal
import socket
import subprocess
import threading

from bench import die_with_parent

BINARIES = pathlib.Path("/usr/lib/postgresql/15/bin")


class Postgres:
    def __init__(self, bench, *settings, access=None):
        """settings: as postgres -c takes them; access: the lines of pg_hba.conf."""
        self.folder, self.server, self.settings = bench.folder / "pg", None, settings
        self.folder.mkdir()
        self.port, self.user = 5432, {}
        if os.geteuid() == 0:           # the server refuses to be root
            os.chmod(bench.folder, 0o711)
            shutil.chown(self.folder, "postgres", "postgres")
            self.user = dict(user="postgres", group="postgres", extra_groups=[])
        shutil.copytree(self._template(bench.programs_folder.parent), self.folder / "data", copy_function=shutil.copyfile)
        (self.folder / "data").chmod(0o700)
        if access:
            (self.folder / "data/pg_hba.conf").write_text(access)
        if self.user:
            subprocess.run(["chown", "-R", "postgres:postgres", self.folder / "data"], check=True)
        self.start()
        bench.closers.append(self.stop)

    def _template(self, folder):
        """An empty cluster, made once for all tests of a build: initdb takes longer than most of them."""
        template, lock = folder / "pg-template", folder / "pg-template.lock"
        with open(lock, "w") as held:
            fcntl.flock(held, fcntl.LOCK_EX)
            if not template.exists():
                made = self.folder / "made"
                subprocess.run([BINARIES / "initdb", "-D", made, "-A", "trust", "-U", "postgres", "--no-sync"], check=True,
                               capture_output=True, cwd="/", **self.user)
                shutil.copytree(made, folder / "pg-template.new", dirs_exist_ok=True)
                (folder / "pg-template.new").rename(template)
                shutil.rmtree(made)
        return template

    def start(self):
        self.server = subprocess.Popen(
            [BINARIES / "postgres", "-D", self.folder / "data", "-c", "listen_addresses=", "-c",
             f"unix_socket_directories={self.folder}", "-c", "fsync=off", "-c", "lc_messages=C", "-c", "jit=off"] +
            [word for setting in self.settings for word in ("-c", setting)],
            stderr=subprocess.PIPE, text=True, cwd="/", preexec_fn=die_with_parent, **self.user)
        for line in self.server.stderr:
            if "ready to accept connections" in line:
                threading.Thread(target=self.server.stderr.read, daemon=True).start()   # or it blocks on a full pipe
                return
        raise AssertionError("the server did not start")

    def stop(self):
        """At once, as a crash; what was committed is there after the next start."""
        if self.server:
            self.server.send_signal(signal.SIGQUIT)
            self.server.wait()
            self.server = None

    def address(self, database="postgres", user="postgres"):
        return f"postgresql:///{database}?host={self.folder}&user={user}&port={self.port}"

    def sql(self, text, user="postgres", database="postgres"):
        """Its rows as psql prints them; a failure's words are in the CalledProcessError's stderr."""
        return subprocess.run(["psql", "-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1", self.address(database, user), "-c",
                               text], check=True, text=True, capture_output=True, cwd="/").stdout.strip()


class Cutting:
    """A proxy in front of the server's socket that cuts the line after so many bytes from the client."""

    def __init__(self, postgres, folder, after):
        self.target, self.left = str(postgres.folder / ".s.PGSQL.5432"), after
        self.server = socket.socket(socket.AF_UNIX)
        folder.mkdir(exist_ok=True)
        self.folder = folder
        (folder / ".s.PGSQL.5432").unlink(missing_ok=True)
        self.server.bind(str(folder / ".s.PGSQL.5432"))
        self.server.listen()
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            try:
                client, _ = self.server.accept()
            except OSError:
                return
            server = socket.socket(socket.AF_UNIX)
            server.connect(self.target)
            threading.Thread(target=self._carry, args=(server, client, False), daemon=True).start()
            self._carry(client, server, True)

    def _carry(self, source, target, counted):
        try:
            while data := source.recv(4096):
                if counted:
                    data = data[:self.left]
                    self.left -= len(data)
                target.sendall(data)
                if counted and self.left <= 0:
                    break
        except OSError:
            pass
        for end in (source, target):
            try:
                end.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass

    def address(self):
        return f"postgresql:///postgres?host={self.folder}&user=pier"

    def close(self):
        self.server.close()

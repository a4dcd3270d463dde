"""Several benches and a site that follows them, for the tests of poise-site."""
import bench as beds
from bench import line_scale, station


class Site:
    """Benches of their own folders, each called pier by itself, and a site on this machine that follows them."""

    def __init__(self, bench, *names):
        self.bench, self.benches, self.ports = bench, {}, {}
        for name in names:
            folder = bench.folder / name
            folder.mkdir()
            bed = beds.Bench(folder, bench.programs_folder)
            bed.programs, bed.environment = bench.programs, dict(bench.environment)
            self.ports[name] = bed.port("left-scale")
            bed.configure(station("left"), line_scale("left-scale", self.ports[name], station="left"))
            self.benches[name] = bed
        self.configuration = bench.folder / "site.conf"
        self.configure(*names)

    def configure(self, *names, more=""):
        follows = [f"[follow {name}]\nbus = {self.benches[name].bus}\n" for name in names]
        self.configuration.write_text("\n".join([f"[site]\nbus = {self.bench.bus}\n", *follows, more]))

    def start(self, *names):
        """The benches, the site, and until it is connected to them."""
        for name in names:
            self.benches[name].daemon = self.benches[name].poised()
        self.program = self.bench.start("poise-site", "--config", self.configuration)
        for name in names:
            self.program.wait_diagnostic(f"{name} is there")
        return self.program

    def show(self, name, *grams):
        self.ports[name].wait_heard()
        for gram in grams:
            self.ports[name].line(f"ST,GS,{gram:+9.2f} g")

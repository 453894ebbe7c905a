"""A tank's true water: what flows in, is drawn, leaks, spills over and dries up. Volumes in litres, rates per ms."""

from __future__ import annotations

from bisect import bisect_right

from controller.site.model import Tank
from simulator.plant.tank_shape import volume_table


class LevelTable:
    """Level <-> volume of a shape, straight lines between slices of 2 mm at most."""

    def __init__(self, tank: Tank) -> None:
        self.step_mm, self.volumes_l = volume_table(tank.shape)
        self.height_mm = self.step_mm * (len(self.volumes_l) - 1)

    def volume_l(self, level_mm: float) -> float:
        """Volume below a level; nothing below the floor, the whole tank above its top."""
        position = level_mm / self.step_mm
        index = int(position)
        if position <= 0.0:
            return self.volumes_l[0]
        if index >= len(self.volumes_l) - 1:
            return self.volumes_l[-1]
        low = self.volumes_l[index]
        return low + (self.volumes_l[index + 1] - low) * (position - index)

    def level_mm(self, volume_l: float) -> float:
        """Height of the surface of a volume."""
        volumes_l = self.volumes_l
        index = bisect_right(volumes_l, volume_l) - 1
        if index < 0:
            return 0.0
        if index >= len(volumes_l) - 1:
            return self.height_mm
        low, high = volumes_l[index], volumes_l[index + 1]
        return self.step_mm * (index + (volume_l - low) / (high - low))

    def surface_m2(self, volume_l: float) -> float:
        """Area of the water's surface."""
        index = min(len(self.volumes_l) - 2, max(0, bisect_right(self.volumes_l, volume_l) - 1))
        return (self.volumes_l[index + 1] - self.volumes_l[index]) / self.step_mm


class TankWater:
    """The water in one tank. Rates stand until changed; `pass_time` integrates them exactly between changes."""

    def __init__(self, tank: Tank, volume_l: float) -> None:
        self.tank = tank
        self.table = LevelTable(tank)
        self.overflow_volume_l = self.table.volume_l(tank.overflow_mm)
        self.suction_volume_l = self.table.volume_l(tank.suction_mm)
        self.volume_l = min(volume_l, self.overflow_volume_l)
        self.inflow_l_ms = 0.0
        self.hose_l_ms = 0.0
        """Water run in by hand; booked as external."""
        self.draw_l_ms = 0.0
        self.leak_l_ms = 0.0
        self.inflow_l = 0.0
        self.drawn_l = 0.0
        self.leaked_l = 0.0
        self.overflow_l = 0.0
        self.evaporated_l = 0.0
        self.external_l = 0.0
        self.swollen_l = 0.0
        """What warmth has added to the volume, less what cold has taken from it."""

    @property
    def level_mm(self) -> float:
        return self.table.level_mm(self.volume_l)

    @property
    def moves(self) -> bool:
        """Whether any water comes or goes at a standing rate."""
        return self.inflow_l_ms > 0.0 or self.draw_l_ms > 0.0 or self.leak_l_ms > 0.0 or self.hose_l_ms > 0.0

    def pass_time(self, elapsed_ms: float) -> float:
        """Let the standing rates run; returns the draw, which never goes below the suction (a leak: below empty)."""
        inflow, draw, leak = self.inflow_l_ms * elapsed_ms, self.draw_l_ms * elapsed_ms, self.leak_l_ms * elapsed_ms
        hose = self.hose_l_ms * elapsed_ms
        volume = self.volume_l + inflow + hose
        # Comparisons instead of `min` and `max`: this runs at every look while water moves.
        above_suction = volume - self.suction_volume_l
        if draw > above_suction:
            draw = above_suction if above_suction > 0.0 else 0.0
        if leak > volume - draw:
            leak = volume - draw
        volume -= draw + leak
        if volume > self.overflow_volume_l:
            self.overflow_l += volume - self.overflow_volume_l
            volume = self.overflow_volume_l
        self.volume_l = volume
        self.inflow_l += inflow
        self.external_l += hose
        self.drawn_l += draw
        self.leaked_l += leak
        return draw

    def ms_until_suction(self) -> float:
        """Time until the standing rates bring the surface down to the suction; infinite when they do not."""
        fall = self.draw_l_ms + self.leak_l_ms - self.inflow_l_ms - self.hose_l_ms
        if self.draw_l_ms <= 0.0 or fall <= 0.0:
            return float("inf")
        return max(0.0, self.volume_l - self.suction_volume_l) / fall

    def evaporate(self, depth_mm: float) -> None:
        """Lose a depth from the surface."""
        lost = min(self.volume_l, depth_mm * self.table.surface_m2(self.volume_l))
        self.volume_l -= lost
        self.evaporated_l += lost

    def swell(self, factor: float) -> None:
        """Let warmth or cold change the volume; what rises over the overflow is gone."""
        change = self.volume_l * (factor - 1.0)
        self.swollen_l += change
        self.volume_l += change
        over_l = self.volume_l - self.overflow_volume_l
        if over_l > 0.0:
            self.overflow_l += over_l
            self.volume_l = self.overflow_volume_l

    def set_volume(self, volume_l: float) -> None:
        """Somebody fills or empties the tank by hand; booked as external."""
        wanted = min(max(0.0, volume_l), self.overflow_volume_l)
        self.external_l += wanted - self.volume_l
        self.volume_l = wanted

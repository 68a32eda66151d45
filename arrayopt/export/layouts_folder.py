"""What a folder of layouts holds."""

from __future__ import annotations

from pathlib import Path

from arrayopt.export.files import csv_text, write_json, write_text
from arrayopt.export.layout_tables import designs_told, layouts_csv, layouts_json, layouts_text
from arrayopt.export.layouts_picture import layouts_picture
from arrayopt.export.pictures import save
from arrayopt.search.layouts import LayoutFronts, folder_name
from arrayopt.search.result import STOCK
from arrayopt.study.stock import stock_table


def write_layouts(out: Path, fronts: LayoutFronts) -> list[Path]:
    """Write table, fronts and picture, and each design told as a study file."""
    return [
        write_text(out / "layouts.txt", layouts_text(fronts) + "\n"),
        write_json(out / "layouts.json", layouts_json(fronts)),
        write_text(out / "layouts.csv", layouts_csv(fronts)),
        save(out / "layouts.png", layouts_picture(fronts)),
        *(
            write_text(out / f"{folder_name(label)}.toml", fronts.found[label].pick(str(i)).text)
            for label, i in designs_told(fronts).items()
        ),
        *(
            [write_text(out / STOCK, csv_text(*stock_table(fronts.study.stock)))]
            if fronts.study.stock
            else []
        ),
    ]

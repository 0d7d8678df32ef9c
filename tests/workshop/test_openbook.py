"""Openbook: an open lab book shows its charts by their numbers alone."""

import json
import subprocess
import sys

SHOWN = """
import json, sys
from IPython.core.interactiveshell import InteractiveShell
shell, published = InteractiveShell.instance(), []
shell.display_pub.publish = lambda data, **more: published.append(data)
from testburn import workshop
workshop.open_workshop()
import plotly.graph_objects as go
shell.display_formatter.format(go.Figure(go.Scatter(x=[1, 2], y=[3.5, 4])))
print(json.dumps({"kinds": [list(data) for data in published], "y": published[0][list(published[0])[0]]["data"][0]["y"],
                  "loaded": [name for name in ("plotly.io._renderers", "jsonschema") if name in sys.modules]}))
"""


def test_a_chart_is_shown_and_nothing_is_loaded_that_could_show_it_elsewhere():
    told = json.loads(subprocess.run([sys.executable, "-c", SHOWN], capture_output=True, text=True, encoding="utf-8",
                                     check=True).stdout)
    assert told == {"kinds": [["application/vnd.plotly.v1+json"]], "y": [3.5, 4], "loaded": []}

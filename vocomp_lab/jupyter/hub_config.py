"""The workbook for a class: a configuration of JupyterHub, for ``jupyterhub -f`` (README, "A class server").

To change something, don't edit this file, which an update replaces: write one of your own that begins with
``load_subconfig("…/vocomp_lab/jupyter/hub_config.py")``, and start JupyterHub with that one.
"""

import sys

from vocomp_lab.jupyter import classroom
from vocomp_lab.jupyter.start import FIRST_LESSON, lab_environment

c = get_config()  # noqa: F821 (JupyterHub puts it there)

# Reachable from this machine only, until you give the address that the class will use, and a certificate with it.
c.JupyterHub.bind_url = "http://127.0.0.1:8000"

# Anybody who has an account on this machine and is in the group `vocomp` may log in, with the account's password.
c.LocalAuthenticator.allowed_groups = {classroom.GROUP}

# Every student's server runs under the student's own account, with the workbook's Python, which also runs JupyterHub. It
# starts by completing the student's copy of the lessons. -I: nothing in the student's home can interfere before that.
c.Spawner.cmd = [sys.executable, "-I", classroom.__file__]
c.Spawner.notebook_dir = f"~/{classroom.FOLDER}"
c.Spawner.default_url = f"/lab/tree/{FIRST_LESSON}"
c.Spawner.environment = {
    "JUPYTER_CONFIG_PATH": lab_environment()["JUPYTER_CONFIG_PATH"],
    # Many students share the processors; more threads in each kernel would take memory and gain nothing.
    "OPENBLAS_NUM_THREADS": "1",
}
# A whole class logs in at the same moment; the defaults (60 and 30 s) are for one at a time.
c.Spawner.start_timeout = 180
c.Spawner.http_timeout = 180

# The most memory for each of a student's processes; classroom.py enforces it. A slip in a cell (a list that grows for
# ever) then gives that student a MemoryError, instead of stopping the machine for the class. A lesson needs far less
# (README).
c.Spawner.mem_limit = "4G"

# A kernel that has done nothing for an hour is stopped, even if its page is still open (everything kept or saved is in
# files; the cells have to be run again). A server without kernels that nobody has used for 20 minutes stops too, and
# JupyterHub starts it again at the next login.
c.Spawner.args = [
    "--MappingKernelManager.cull_idle_timeout=3600",
    "--MappingKernelManager.cull_connected=True",
    "--ServerApp.shutdown_no_activity_timeout=1200",
]

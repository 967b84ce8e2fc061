"""The workbook for a class: a configuration of JupyterHub, for ``jupyterhub -f`` (README, "A class server").

To change something, don't edit this file, which an update replaces: write one of your own that begins with
``load_subconfig("…/vocomp_lab/jupyter/hub_config.py")``, and start JupyterHub with that one.
"""

import sys

from vocomp_lab.jupyter import classroom
from vocomp_lab.jupyter.start import FIRST_LESSON, lab_environment

c = get_config()  # noqa: F821 (JupyterHub puts it there)

# Heard on this machine only, until you give the address that the class will use, and with it a certificate.
c.JupyterHub.bind_url = "http://127.0.0.1:8000"

# Who has an account on this machine and is in the group `vocomp` may log in, with the account's password.
c.LocalAuthenticator.allowed_groups = {classroom.GROUP}

# Every student's server runs under the student's own account, with the Python that runs JupyterHub, which is the
# workbook's, and begins by completing the student's copy of the lessons. -I: nothing that lies in the student's home
# takes part before that.
c.Spawner.cmd = [sys.executable, "-I", classroom.__file__]
c.Spawner.notebook_dir = f"~/{classroom.FOLDER}"
c.Spawner.default_url = f"/lab/tree/{FIRST_LESSON}"
c.Spawner.environment = {
    "JUPYTER_CONFIG_PATH": lab_environment()["JUPYTER_CONFIG_PATH"],
    # Many students share the processors; more threads in each kernel would take memory and win nothing.
    "OPENBLAS_NUM_THREADS": "1",
}
# A whole class logs in at the same moment; the defaults (60 and 30 s) are for one at a time.
c.Spawner.start_timeout = 180
c.Spawner.http_timeout = 180

# The most for each process of a student, held by classroom.py: a slip in a cell (a list that grows for ever) gives that
# student a MemoryError, and not the class a machine that stands still. It is far above what a lesson needs (README).
c.Spawner.mem_limit = "4G"

# A kernel that has done nothing for an hour is ended, even if its page is still open (what was kept or saved is in
# files; the cells have to be run again), and a server without kernels that nobody has used for 20 minutes stops.
# JupyterHub starts it again at the next login.
c.Spawner.args = [
    "--MappingKernelManager.cull_idle_timeout=3600",
    "--MappingKernelManager.cull_connected=True",
    "--ServerApp.shutdown_no_activity_timeout=1200",
]

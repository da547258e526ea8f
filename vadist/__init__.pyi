from .audition.candidates import make_candidates as make_candidates
from .audition.run import AuditionResult as AuditionResult
from .audition.run import audition_design as audition_design
from .captures.check import check_capture as check_capture
from .captures.reading import read_capture as read_capture
from .captures.stimulus import make_stimulus as make_stimulus
from .designs.chain import Chain as Chain
from .designs.design import Control as Control
from .designs.design import Design as Design
from .designs.design import Source as Source
from .designs.design import Supply as Supply
from .designs.files import load_design as load_design
from .designs.files import write_design as write_design
from .errors import VadistError as VadistError
from .fitting.fit import fit_design as fit_design
from .inspection.figures import Inspection as Inspection
from .inspection.figures import inspect_design as inspect_design
from .rendering.arrays import RenderResult as RenderResult
from .rendering.arrays import render as render
from .rendering.arrays import render_candidates as render_candidates

__version__: str

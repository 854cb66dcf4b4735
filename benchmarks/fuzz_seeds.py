"""Good files of every kind that is read, small: what the fuzzer damages."""

from app.catalogue.definitions import BinEntry, BinTableBody, Polygon, Rank
from tests.receiving.map_writing import Written

_PICTURE = ((".", "1", "1", "."), ("1", "a", "1", "A"), (".", "7", "1", "x"), (".", "1", ".", "."))
_MAPS = tuple(Written(_PICTURE, origin, axis, turn) for origin, axis, turn in (("UpperLeft", "DownRight", 0), ("LowerRight", "UpLeft", 90)))
E142 = tuple(one.e142(null).encode() for one in _MAPS for null in (".", " "))
_SHORT_G85 = (
    b'<Map SubstrateId="W-7"><Device NullBin=" " OriginLocation="2" Rows="2" Columns="3"><Bin BinCode="1" BinQuality="Pass"/>'
    b'<Bin BinCode="7" BinQuality="Fail"/><Data><Row> 1</Row><Row>171</Row></Data></Device></Map>'
)  # a space at the end of a row was cut off; so in the next
G85 = (*(one.g85().encode() for one in _MAPS), _SHORT_G85)
_SHORT = b"origin: ul\nnull: space\nrows: 2\ncolumns: 3\nwafer: W-7\nBin 1: pass\nBin 7: fail\n 1\n171\n"
TEXT = (*(one.text().encode() for one in _MAPS), _SHORT)
CSV = tuple(one.csv().encode() for one in _MAPS)

_TRANSFERS = (
    b'<?xml version="1.0"?>\n<MapData xmlns="urn:semi-org:xsd.E142-1.V1005.SubstrateMap"><Layouts><Layout LayoutId="Cells">'
    b'<Dimension X="5" Y="4"/></Layout></Layouts>\n<SubstrateMaps><SubstrateMap SubstrateType="Strip" SubstrateId="P1" OriginLocation="UpperLeft" '
    b'AxisDirection="DownRight" LayoutSpecifier="S/Cells">\n<Overlay MapName="Attach"><TransferMap FromSubstrateType="Wafer" '
    b'FromSubstrateId="W1">\n<T FX="3" FY="-4" TX="0" TY="1"/>\n<T FX="4" FY="-4" TX="1" TY="1"/>\n'
    b"</TransferMap></Overlay></SubstrateMap></SubstrateMaps></MapData>"
)
PLACEMENTS = (
    b"time,wafer,die x,die y,panel,row,column\n2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n2026-03-05T06:00:01Z,W1,4,-4,P1,2,2\n"
    b"2026-03-05T06:00:02Z,W1,5,-4,,,\n2026-03-05T06:00:03Z,W2,5,-4,P1,2,3\n",
    _TRANSFERS,
    _TRANSFERS.replace(b"UpperLeft", b"LowerRight").replace(b"DownRight", b"UpLeft"),  # counted from the panel's declared size
)
LOGGER = (
    "Time;TC1 [°C];TC2 [°C]\n2026-03-05 10:00:00;25,1;25,2\n2026-03-05 10:01:00;28,1;27,9\n2026-03-05 10:02:00;31,0;30,5\n".encode(),
    b"Logger 7, oven 2\nNo,Date,Clock,TC1 (C),TC2 (C),Event\n1,2026-03-15,10:00:00 AM,25.1,25.2,\n2,2026-03-15,10:01:00 AM,28.1,,door\n"
    b"3,2026-03-15,10:02:00 AM,31.0,30.5,\n",
    b"time\tT1 [\xc2\xb0F]\n15.03.2026 10:00:00\t77.0\n15.03.2026 10:00:30\t79.5\n15.03.2026 10:01:00\t81.25\n",
)
UNIT_RESULTS = (
    b"unit,result,x_red,y_red,iv_red\n1,PASS,0.65,0.35,450\n2,PASS,0.60,0.40,400\n3,F1,,,\n4,PASS,0.65,0.35,399.9\n5,F9,0.1,0.1,0\n",
    b"unit;result;x_red;y_red;iv_red\nA1;PASS;0,65;0,35;450\nA2;PASS;0,61;0,39;400\nA3;F1;;;\n",
)
_SQUARE = ((0.60, 0.30), (0.70, 0.30), (0.70, 0.40), (0.60, 0.40))
_RED = Polygon(x="x_red", y="y_red", points=_SQUARE)
BIN_TABLE = BinTableBody(
    name="RGB", unbinned="OUT", failed="FAIL",
    bins=(
        BinEntry(name="HI", grade="prime", polygons=(_RED,), ranks=(Rank(column="iv_red", low=400, high=600),)),
        BinEntry(name="OPEN", grade="reject", fail_codes=("F1", "F2")), BinEntry(name="OUT", grade="reject"), BinEntry(name="FAIL", grade="reject"),
    ),
)  # fmt: skip

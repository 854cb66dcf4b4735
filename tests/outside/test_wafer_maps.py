"""Published checks of wafer maps and wafer identities; each names its source."""

import pytest

from app.receiving.die_maps import read_maps

# Element and attribute names as in public files that quote urn:semi-org:xsd.E142; the wafer and its counts are invented here.
E142 = b"""<?xml version="1.0" encoding="UTF-8"?>
<MapData xmlns="urn:semi-org:xsd.E142-1.V1005.SubstrateMap">
  <Layouts><Layout LayoutId="W" DefaultUnits="mm" TopLevel="true"><Dimension X="1" Y="1"/><ChildLayouts><ChildLayout LayoutId="D"/></ChildLayouts></Layout>
  <Layout LayoutId="D" DefaultUnits="mm"><Dimension X="5" Y="3"/><DeviceSize X="0.20" Y="0.15"/></Layout></Layouts>
  <Substrates><Substrate SubstrateType="Wafer" SubstrateId="RD0417-03"><LotId>RD0417</LotId></Substrate></Substrates>
  <SubstrateMaps><SubstrateMap SubstrateType="Wafer" SubstrateId="RD0417-03" LayoutSpecifier="W/D" Orientation="0" OriginLocation="UpperLeft" AxisDirection="DownRight">
    <Overlay MapName="Sort" MapVersion="1"><BinCodeMap BinType="HexaDecimal" NullBin="FF">
      <BinDefinitions><BinDefinition BinCode="01" BinQuality="Pass" BinCount="8"/><BinDefinition BinCode="07" BinQuality="Fail" BinCount="3"/></BinDefinitions>
      <BinCode>FF010101FF</BinCode><BinCode>0107010101</BinCode><BinCode>FF070107FF</BinCode>
    </BinCodeMap></Overlay></SubstrateMap></SubstrateMaps>
</MapData>"""  # noqa: E501 (the file as it would come)

# Attribute names as in public files that quote FormatRevision="G85-1101"; the wafer and its counts are invented here.
G85 = b"""<Maps><Map xmlns:semi="http://www.semi.org" WaferId="GN0088-11" FormatRevision="G85-1101">
 <Device ProductId="GREEN-A" LotId="GN0088" Rows="3" Columns="4" Orientation="0" OriginLocation="3" BinType="Decimal" NullBin="255">
  <Bin BinCode="001" BinCount="7" BinQuality="Pass" BinDescription="Pick"/><Bin BinCode="091" BinCount="1" BinQuality="Fail" BinDescription="Visual"/>
  <Data MapName="Map" MapVersion="1"><Row><![CDATA[255 001 001 255]]></Row><Row><![CDATA[001 091 001 001]]></Row><Row><![CDATA[255 001 001 255]]></Row></Data>
 </Device></Map></Maps>"""  # noqa: E501


def test_the_e142_example_has_its_counts() -> None:
    (found,) = read_maps(E142, "example")
    assert (found.positions, found.positions - found.gross, found.passing, found.failing) == (15, 4, 8, 3)
    assert found.passing / found.gross == pytest.approx(0.727273, abs=5e-7)
    assert found.bin_at(1, 1).code == "07"  # type: ignore[union-attr]
    assert (found.wafer, found.lot) == ("RD0417-03", "RD0417")


def test_the_g85_example_has_its_counts() -> None:
    (found,) = read_maps(G85, "example")
    assert (found.positions, found.positions - found.gross, found.passing, found.failing) == (12, 4, 7, 1)
    assert found.passing / found.gross == 0.875
    assert found.bin_at(1, 1).code == "091"  # type: ignore[union-attr]
    assert (found.wafer, found.lot, found.product) == ("GN0088-11", "GN0088", "GREEN-A")

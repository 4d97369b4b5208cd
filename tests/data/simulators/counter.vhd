library ieee; use ieee.std_logic_1164.all; use ieee.numeric_std.all;
entity counter is port(clk : in std_logic; count : out unsigned(3 downto 0)); end;
architecture a of counter is signal value : unsigned(3 downto 0) := "0000"; begin
  process(clk) begin if rising_edge(clk) then value <= value + 1; end if; end process;
  count <= value;
end;
library ieee; use ieee.std_logic_1164.all; use ieee.numeric_std.all;
entity bench is end;
architecture a of bench is
  signal clk : std_logic := '0'; signal count : unsigned(3 downto 0);
  signal weak : std_logic := 'W'; signal pulled : std_logic := 'H'; signal never : std_logic;
begin
  inner : entity work.counter port map(clk, count);
  process begin for n in 1 to 42 loop wait for 5 ns; clk <= not clk; end loop; wait; end process;
  process begin wait for 50 ns; weak <= 'L'; pulled <= '-'; wait for 50 ns; weak <= 'Z'; pulled <= '0'; wait; end process;
end;
